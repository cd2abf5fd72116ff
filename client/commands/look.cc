// `selvage look`: frames of one pass as PNG, on a sheet, or as values.
#include <CLI/CLI.hpp>
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <map>
#include <mutex>

#include "absl/strings/ascii.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_split.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/exit_code.h"
#include "client/json.h"
#include "client/looking.h"
#include "client/output.h"
#include "client/picture.h"
#include "client/saved_file.h"
#include "client/stack_arguments.h"
#include "client/versions.h"
#include "client/write_file.h"
#include "proto/frame_pattern.h"
#include "proto/ops/internal.pb.h"
#include "proto/proxy.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// Longest side of a picture on a sheet, unless another is asked for.
constexpr unsigned kOnSheet = 384;

// A look is a PNG; under another ending it would be one in disguise.
absl::Status CheckIsPng(const char* option, const std::string& output) {
  const std::string ending = absl::AsciiStrToLower(std::filesystem::path(output).extension().string());
  if (ending == ".png") return absl::OkStatus();
  const std::string png = std::filesystem::path(output).replace_extension(".png").string();
  return UsageError(absl::StrCat(option, " ", output, ": a look is written as PNG; call it ", png,
                                 " (files of other types are made by a `deliver` of the stack)"));
}

struct Point {
  int x = 0, y = 0;
};

absl::StatusOr<Point> ParsePoint(const std::string& text) {
  const std::vector<std::string> parts = absl::StrSplit(text, ',');
  Point p;
  if (parts.size() == 2 && absl::SimpleAtoi(parts[0], &p.x) && absl::SimpleAtoi(parts[1], &p.y)) return p;
  return UsageError(absl::StrCat("--values ", text, ": it is X,Y in whole pixels, as in 812,700"));
}

// As a look shows it: 8-bit sRGB (IEC 61966-2-1); a matte is no light.
int CodeOf(double linear, bool matte) {
  const double v = std::isfinite(linear) ? std::clamp(linear, 0.0, 1.0) : 0.0;
  const double code = matte ? v : v <= 0.0031308 ? 12.92 * v : 1.055 * std::pow(v, 1 / 2.4) - 0.055;
  return static_cast<int>(std::lround(255 * code));
}

class Look final : public Command {
 public:
  CommandHelp help() const override {
    return {
        "look", Group::kResult, "Write frames of one pass as PNG, or say the values of its pixels",
        "Only what these frames need is rendered, ahead of jobs, and is reused by them.\n"
        "  matte       the alpha as grey\n"
        "  black       the picture over black\n"
        "  checker     over a grey checker\n"
        "  plate       over the plate\n"
        "  background  over --background\n"
        "  color       its colour alone, without alpha\n"
        "  wipe        left of --wipe over the plate, right of it the plate alone\n"
        "  selvage look apiary_010.stack hair --frame 1012 --as black --stops 2 -o hair.png\n"
        "  selvage look apiary_010.stack matte -f 1012 --as matte --set matte.levels.black=0.1 -o try.png\n"
        "  selvage look apiary_010.stack over -f 1001-1048 -o over.%04d.png --sheet over_sheet.png\n"
        "  selvage look apiary_010.stack plate -f 1012 --over-mask boots --crop 760,640,300,200 --zoom 4 -o boots.png\n"
        "  selvage look apiary_010.stack over -f 1012 --against @3 -o wipe.png     left now, right version 3\n"
        "  selvage look apiary_010.stack front -f 1012 --values 812,700 --values 820,700"};
  }

  void Declare(CLI::App* app) override {
    stack_.Declare(app);
    app->add_option("PASS", pass_, "A pass, plate or mask")->required();
    app->add_option("--frame,-f", frames_text_,
                    "Frame number, or several as in 1001-1010; may be left out where the stack has one frame only")
        ->type_name("N");
    app->add_option("--output,-o", output_, "PNG to write, with %04d where the frame goes; its folder must be there")
        ->type_name("FILE");
    options_.Declare(app);
    app->add_option("--against", against_,
                    "Right of --wipe this instead: another pass, or this one in a version of the stack (@3, NAME@3)")
        ->type_name("NAME|@N");
    app->add_option("--sheet", sheet_, "All frames on one PNG, each with its number")->type_name("FILE");
    app->add_option("--values", values_, "Print the values of this pixel, as linear light and as 8-bit sRGB codes")
        ->type_name("X,Y")
        ->allow_extra_args(false);
    app->add_flag("--exact", exact_,
                  "From the pixels of the full size, however small the picture is. Without it, what is not in the "
                  "cache yet may be rendered at 1/2, 1/4 or 1/8 of the size for a picture no larger than that, and the "
                  "answer says so");
    app->add_flag("--follow", follow_, "Look again each time that the stack's file is saved; Ctrl-C ends it");
  }

  absl::Status Run(const Globals& globals) override {
    RETURN_IF_ERROR(CheckOptions());
    RETURN_IF_ERROR(options_.Make().status());
    Connection connection(globals);
    if (!follow_) return Once(globals, connection);
    return AtEachSave(stack_.stack, [&](const auto&) { return Once(globals, connection); });
  }

 private:
  // One look, without its frame, and what else is made of it.
  struct Asked {
    LookRequest request;
    RefuseFaults refuse;
  };
  struct Made {
    Picture picture;
    std::string bytes;
    google::protobuf::RepeatedPtrField<JobWarning> warnings;
    // That it was rendered at; 0: full size.
    uint32_t proxy = 0;
  };

  absl::Status CheckOptions() {
    if (!frames_text_.empty()) {
      ASSIGN_OR_RETURN(frames_, ParseFrames(frames_text_));
    }
    if (output_.empty() && sheet_.empty() && values_.empty()) {
      return UsageError("`look` needs --output FILE, --sheet FILE or --values X,Y: what shall it make?");
    }
    if (!sheet_.empty()) RETURN_IF_ERROR(CheckIsPng("--sheet", sheet_));
    for (const std::string& text : values_) {
      ASSIGN_OR_RETURN(const Point point, ParsePoint(text));
      points_.push_back(point);
    }
    if (output_.empty()) return absl::OkStatus();
    RETURN_IF_ERROR(CheckIsPng("--output", output_));
    const auto pattern = ParsePattern(output_);
    // A single frame may be written to any path, also to one that is no pattern.
    if (pattern.ok()) pattern_ = *pattern;
    if (frames_.first == frames_.last || (pattern.ok() && !pattern->still())) return absl::OkStatus();
    return UsageError(absl::StrCat("--output ", output_, ": all frames would be written to one file; write %04d where ",
                                   "the frame number goes"));
  }

  absl::Status TakeTheOnlyFrame(const FrameRange& all) {
    if (all.first() != all.last()) {
      return UsageError(absl::StrCat("`look` needs --frame N, or --frame A-B: which of the frames ", all.first(),
                                     " to ", all.last(), " of the stack?"));
    }
    frames_ = {all.first(), all.last()};
    return absl::OkStatus();
  }

  absl::Status Once(const Globals& globals, Connection& connection) {
    ASSIGN_OR_RETURN(const StackFile file, stack_.Read());
    if (frames_text_.empty()) RETURN_IF_ERROR(TakeTheOnlyFrame(file.stack().frames()));
    Asked asked;
    *asked.request.mutable_stack() = file.stack();
    asked.request.set_pass(pass_);
    asked.refuse = [&](const auto& errors) { return file.Refuse(errors); };
    ASSIGN_OR_RETURN(*asked.request.mutable_look(), options_.Make());
    // Two things are compared at one size.
    asked.request.set_may_reduce(!exact_ && against_.empty());
    std::optional<Asked> other;
    if (!against_.empty()) {
      ASSIGN_OR_RETURN(other, Other(connection, asked));
    }
    if (!values_.empty()) RETURN_IF_ERROR(SayValues(globals, connection, asked));
    if (!output_.empty()) RETURN_IF_ERROR(WriteFrames(globals, connection, asked, other));
    if (!sheet_.empty()) return WriteSheet(globals, connection, asked, other);
    return absl::OkStatus();
  }

  // What the look is wiped against.
  absl::StatusOr<Asked> Other(Connection& connection, const Asked& asked) const {
    ASSIGN_OR_RETURN(const VersionName name, ParseVersionName(against_));
    Asked other = asked;
    if (!name.number) {
      other.request.set_pass(against_);
      return other;
    }
    std::string stack = asked.request.stack().name();
    if (!name.stack.empty()) {
      ASSIGN_OR_RETURN(stack, NameOfStack(name.stack));
    }
    ASSIGN_OR_RETURN(const GetVersionReply version, GetVersion(connection, stack, *name.number));
    *other.request.mutable_stack() = version.stack();
    other.refuse = [what = InWords(version.version())](const auto& errors) {
      return errors.empty() ? absl::OkStatus()
                            : absl::InvalidArgumentError(absl::StrCat(what, ": ", errors[0].message()));
    };
    return other;
  }

  absl::StatusOr<Made> Make(Connection& connection, const Asked& asked, const std::optional<Asked>& other,
                            int frame) const {
    Made made;
    LookRequest request = asked.request;
    request.set_frame(frame);
    ASSIGN_OR_RETURN(ReceivedFile file, ReceiveLook(connection, connection.jobs(), request, asked.refuse));
    made.bytes = std::move(file.bytes);
    made.warnings = file.warnings;
    made.proxy = file.proxy;
    if (!other) return made;
    request = other->request;
    request.set_frame(frame);
    ASSIGN_OR_RETURN(const ReceivedFile right, ReceiveLook(connection, connection.jobs(), request, other->refuse));
    ASSIGN_OR_RETURN(const Picture a, ReadPng(made.bytes));
    ASSIGN_OR_RETURN(const Picture b, ReadPng(right.bytes));
    ASSIGN_OR_RETURN(made.picture, Wiped(a, b, options_.wipe));
    ASSIGN_OR_RETURN(made.bytes, WritePng(made.picture));
    return made;
  }

  absl::Status WriteFrames(const Globals& globals, Connection& connection, const Asked& asked,
                           const std::optional<Asked>& other) const {
    std::mutex mutex;
    std::map<int, Made> made;
    const absl::Status status = ForFrames(frames_, [&](int frame) -> absl::Status {
      ASSIGN_OR_RETURN(Made one, Make(connection, asked, other, frame));
      RETURN_IF_ERROR(WriteFileAtomically(FileOf(frame), one.bytes));
      std::lock_guard<std::mutex> lock(mutex);
      made[frame] = std::move(one);
      return absl::OkStatus();
    });
    JsonArray all;
    for (const auto& [frame, one] : made) all.Add(Say(globals, frame, one));
    RETURN_IF_ERROR(status);
    if (!globals.json) return absl::OkStatus();
    const bool single = frames_.first == frames_.last;
    std::printf("%s\n", single ? Say(globals, frames_.first, made.at(frames_.first)).c_str()
                               : JsonObject().Add("look", all.text()).text().c_str());
    return absl::OkStatus();
  }

  std::string FileOf(int frame) const { return pattern_ && !pattern_->still() ? pattern_->At(frame) : output_; }

  // Prints it for people, or gives it as JSON.
  std::string Say(const Globals& globals, int frame, const Made& made) const {
    if (!globals.json) {
      std::fputs(Warnings(made.warnings).c_str(), stderr);
      std::printf("%s%s\n", FileOf(frame).c_str(), RenderedAt(made.proxy).c_str());
      return "";
    }
    JsonArray warnings;
    for (const JobWarning& w : made.warnings) warnings.Add(JsonOf(w));
    return JsonObject()
        .Add("pass", JsonText(pass_))
        .Add("frame", absl::StrCat(frame))
        .Add("file", JsonText(FileOf(frame)))
        .Add("bytes", absl::StrCat(made.bytes.size()))
        .Add("proxy", absl::StrCat(std::max(1u, made.proxy)))
        .Add("warning", warnings.text())
        .text();
  }

  static std::string RenderedAt(uint32_t proxy) {
    return proxy > 1 ? absl::StrCat(" (rendered at ", SizeInWords(proxy), ")") : "";
  }

  absl::Status WriteSheet(const Globals& globals, Connection& connection, Asked asked,
                          std::optional<Asked> other) const {
    if (options_.longest_side == 0) {
      asked.request.mutable_look()->set_longest_side(kOnSheet);
      if (other) other->request.mutable_look()->set_longest_side(kOnSheet);
    }
    std::mutex mutex;
    std::map<int, Picture> pictures;
    uint32_t proxy = 0;
    RETURN_IF_ERROR(ForFrames(frames_, [&](int frame) -> absl::Status {
      ASSIGN_OR_RETURN(Made one, Make(connection, asked, other, frame));
      if (!other) {
        ASSIGN_OR_RETURN(one.picture, ReadPng(one.bytes));
      }
      std::lock_guard<std::mutex> lock(mutex);
      pictures[frame] = std::move(one.picture);
      proxy = std::max(proxy, one.proxy);
      return absl::OkStatus();
    }));
    ASSIGN_OR_RETURN(const Picture sheet, SheetOf({pictures.begin(), pictures.end()}));
    ASSIGN_OR_RETURN(const std::string bytes, WritePng(sheet));
    RETURN_IF_ERROR(WriteFileAtomically(sheet_, bytes));
    if (globals.json) {
      std::printf("%s\n", JsonObject()
                              .Add("pass", JsonText(pass_))
                              .Add("sheet", JsonText(sheet_))
                              .Add("frames", absl::StrCat(pictures.size()))
                              .Add("proxy", absl::StrCat(std::max(1u, proxy)))
                              .text()
                              .c_str());
    } else {
      std::printf("%s%s\n", sheet_.c_str(), RenderedAt(proxy).c_str());
    }
    return absl::OkStatus();
  }

  absl::Status SayValues(const Globals& globals, Connection& connection, const Asked& asked) const {
    std::mutex mutex;
    std::map<std::pair<int, size_t>, Measurement> found;
    RETURN_IF_ERROR(ForFrames(frames_, [&](int frame) -> absl::Status {
      for (size_t i = 0; i < points_.size(); ++i) {
        LookRequest request = asked.request;
        request.set_frame(frame);
        SampleBox* box = request.mutable_sample()->mutable_box();
        box->set_x(points_[i].x);
        box->set_y(points_[i].y);
        box->set_width(1);
        box->set_height(1);
        ASSIGN_OR_RETURN(const ReceivedFile file, ReceiveLook(connection, connection.jobs(), request, asked.refuse));
        Measurement m;
        if (!m.ParseFromString(file.bytes)) return absl::DataLossError("the daemon sent no values");
        std::lock_guard<std::mutex> lock(mutex);
        found[{frame, i}] = std::move(m);
      }
      return absl::OkStatus();
    }));
    std::vector<std::vector<std::string>> rows;
    JsonArray all;
    for (const auto& [at, m] : found) {
      const Point& p = points_[at.second];
      const bool matte = m.values_size() == 1;
      std::vector<std::string> row = {absl::StrCat(at.first), absl::StrCat(p.x), absl::StrCat(p.y)};
      JsonArray linear, codes;
      std::string code;
      for (int c = 0; c < m.values_size(); ++c) {
        linear.Add(absl::StrFormat("%.9g", m.values(c)));
        const bool light = !matte && c < 3;
        codes.Add(absl::StrCat(CodeOf(m.values(c), !light)));
        if (matte || light) absl::StrAppend(&code, code.empty() ? "" : " ", CodeOf(m.values(c), matte));
      }
      for (int c = 0; c < 4; ++c) {
        const int of = matte ? c - 3 : c;
        row.push_back(of >= 0 && of < m.values_size() ? absl::StrFormat("%.5f", m.values(of)) : "-");
      }
      row.push_back(code);
      rows.push_back(std::move(row));
      all.Add(JsonObject()
                  .Add("frame", absl::StrCat(at.first))
                  .Add("x", absl::StrCat(p.x))
                  .Add("y", absl::StrCat(p.y))
                  .Add("linear", linear.text())
                  .Add("code", codes.text())
                  .text());
    }
    if (globals.json) {
      std::printf("%s\n", JsonObject().Add("pass", JsonText(pass_)).Add("value", all.text()).text().c_str());
    } else {
      std::fputs(Table({"frame", "x", "y", "R", "G", "B", "A", "sRGB code"}, rows).c_str(), stdout);
    }
    return absl::OkStatus();
  }

  StackArguments stack_;
  std::string pass_, frames_text_, output_, against_, sheet_;
  std::vector<std::string> values_;
  LookOptions options_;
  bool follow_ = false, exact_ = false;
  Frames frames_;
  std::optional<FilePattern> pattern_;
  std::vector<Point> points_;
};
REGISTER_COMMAND(Look);

}  // namespace
}  // namespace selvage::client
