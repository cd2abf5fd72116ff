// `selvage compare`: two versions of a stack, in words, figures and pictures.
#include <CLI/CLI.hpp>
#include <algorithm>
#include <cstdio>
#include <optional>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/exit_code.h"
#include "client/json.h"
#include "client/language/stack_changes.h"
#include "client/looking.h"
#include "client/output.h"
#include "client/picture.h"
#include "client/report/measuring.h"
#include "client/report/report_passes.h"
#include "client/versions.h"
#include "client/write_file.h"
#include "proto/report.pb.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// One of the two.
struct Side {
  std::string name;
  Stack stack;
  // It is the file as it stands now.
  std::optional<StackFile> file;
  StackVersion version;

  absl::Status Refuse(const google::protobuf::RepeatedPtrField<StackError>& errors) const {
    if (errors.empty()) return absl::OkStatus();
    return file ? file->Refuse(errors) : absl::InvalidArgumentError(absl::StrCat(name, ": ", errors[0].message()));
  }
};

absl::StatusOr<Side> FindSide(Connection& connection, const std::string& text) {
  ASSIGN_OR_RETURN(const VersionName name, ParseVersionName(text));
  Side side;
  side.name = text;
  if (!name.number) {
    ASSIGN_OR_RETURN(side.file, StackFile::Read(name.stack));
    side.stack = side.file->stack();
    return side;
  }
  ASSIGN_OR_RETURN(const std::string stack, NameOfStack(name.stack));
  ASSIGN_OR_RETURN(GetVersionReply reply, GetVersion(connection, stack, *name.number));
  side.name = InWords(reply.version());
  side.version = reply.version();
  side.stack = std::move(*reply.mutable_stack());
  return side;
}

std::string SideLine(const Side& side) {
  if (side.file) return absl::StrCat(side.name, ": the file as it is now");
  const StackVersion& v = side.version;
  std::string line = absl::StrCat(side.name, ": ", v.owner());
  if (v.state() != JOB_STATE_UNSPECIFIED) {
    absl::StrAppend(&line, ", ", StateName(v.state()), ", ", v.rendered(), " rendered in ", Seconds(v.seconds()));
  }
  return v.note().empty() ? line : absl::StrCat(line, ", \"", v.note(), "\"");
}

bool HasPass(const Stack& stack, const std::string& name) {
  return std::any_of(stack.pass().begin(), stack.pass().end(), [&](const Pass& p) { return p.name() == name; });
}

class Compare final : public Command {
 public:
  CommandHelp help() const override {
    return {
        "compare", Group::kResult, "Say what two versions of a stack differ in",
        "Settings, pass by pass. With --frame also the figures of its mattes at that frame (see `selvage report`),\n"
        "and with -o a picture: what is not in the cache any more is rendered again.\n"
        "  selvage compare apiary_010@3 apiary_010@5\n"
        "  selvage compare apiary_010@last apiary_010.stack          what is not submitted yet\n"
        "  selvage compare apiary_010@3 apiary_010@5 --frame 1012 --pass over -o over_3_5.png\n"
        "The picture, --show:\n"
        "  wipe        left of --wipe the first version, right of it the second\n"
        "  side        side by side\n"
        "  difference  of their 8-bit codes, four times as bright"};
  }
  void Declare(CLI::App* app) override {
    app->add_option("STACK@A", first_, "Stack file or name, and the number of a version; without one the file as it is")
        ->required();
    app->add_option("STACK@B", second_, "The version to compare it with")->required();
    app->add_option("--frame,-f", frame_, "Frame of the figures and the picture")->type_name("N");
    app->add_option("--pass", pass_, "Pass of the picture, and of the figures; default: what `report` measures")
        ->type_name("NAME");
    app->add_option("--output,-o", output_, "PNG to write")->type_name("FILE");
    app->add_option("--show", show_, "See below")->capture_default_str()->type_name("wipe|side|difference");
    options_.Declare(app);
  }

  absl::Status Run(const Globals& globals) override {
    RETURN_IF_ERROR(CheckOptions());
    Connection connection(globals);
    ASSIGN_OR_RETURN(const Side a, FindSide(connection, first_));
    ASSIGN_OR_RETURN(const Side b, FindSide(connection, second_));
    const std::vector<StackChange> changes = ChangesOf(a.stack, b.stack);
    JsonObject json;
    JsonArray changed;
    for (const StackChange& c : changes) {
      changed.Add(JsonObject().Add("where", JsonText(c.where)).Add("text", JsonText(c.text)).text());
    }
    json.Add("first", JsonText(a.name)).Add("second", JsonText(b.name)).Add("change", changed.text());
    if (!globals.json) {
      std::printf("%s\n%s\n\n%s", SideLine(a).c_str(), SideLine(b).c_str(),
                  changes.empty() ? "The settings are the same.\n" : InWords(changes).c_str());
    }
    if (frame_) RETURN_IF_ERROR(Figures(globals, connection, a, b, &json));
    if (!output_.empty()) RETURN_IF_ERROR(ShowPicture(globals, connection, a, b, &json));
    if (globals.json) std::printf("%s\n", json.text().c_str());
    return absl::OkStatus();
  }

 private:
  absl::Status CheckOptions() const {
    if (show_ != "wipe" && show_ != "side" && show_ != "difference") {
      return UsageError(absl::StrCat("--show cannot be ", show_, "; allowed: wipe, side, difference"));
    }
    if (!output_.empty() && (!frame_ || pass_.empty())) {
      return UsageError("a picture needs --frame and --pass: of what shall it be?");
    }
    RETURN_IF_ERROR(options_.Make().status());
    const bool png = output_.empty() || (output_.size() > 4 && output_.substr(output_.size() - 4) == ".png");
    return png ? absl::OkStatus()
               : UsageError(absl::StrCat("--output ", output_, ": it is written as PNG, name it so"));
  }

  absl::StatusOr<PassReport> Measure(Connection& connection, const Side& side, const std::string& pass) const {
    ShotReport report;
    PassReport* of = report.add_pass();
    of->set_pass(pass);
    of->add_frame()->set_frame(*frame_);
    MeasureMatte measure;
    measure.set_screen(ScreenToReport(side.stack));
    const auto refuse = [&](const auto& errors) { return side.Refuse(errors); };
    RETURN_IF_ERROR(Measuring(&connection, side.stack, measure, refuse, &report).Run());
    return report.pass(0);
  }

  // What is measured in both.
  std::vector<std::string> PassesOf(const Side& a, const Side& b) const {
    if (!pass_.empty()) return {pass_};
    std::vector<std::string> passes;
    for (const std::string& pass : PassesToReport(b.stack)) {
      if (HasPass(a.stack, pass)) passes.push_back(pass);
    }
    return passes;
  }

  absl::Status Figures(const Globals& globals, Connection& connection, const Side& a, const Side& b,
                       JsonObject* json) const {
    std::vector<std::vector<std::string>> rows;
    JsonArray all;
    for (const std::string& pass : PassesOf(a, b)) {
      const auto first = Measure(connection, a, pass), second = Measure(connection, b, pass);
      // A picture without an alpha has no figures; it can be looked at nevertheless.
      if (!pass_.empty() && !output_.empty() && (!first.ok() || !second.ok())) continue;
      RETURN_IF_ERROR(first.status());
      RETURN_IF_ERROR(second.status());
      all.Add(JsonObject().Add("first", JsonOf(*first)).Add("second", JsonOf(*second)).text());
      const MatteFigures &x = first->frame(0).figures(), &y = second->frame(0).figures();
      const auto add = [&](const char* what, const std::string& from, const std::string& to) {
        rows.push_back({pass, what, from, to});
      };
      const auto soft = [](const MatteFigures& f) {
        return absl::StrFormat("%.1f", 100.0 * static_cast<double>(f.soft_pixels()) /
                                           std::max<double>(1, static_cast<double>(f.covered_pixels())));
      };
      const auto part = [](bool has, double v) { return has ? absl::StrFormat("%.3f", v) : std::string("-"); };
      add("holes", absl::StrCat(x.hole_pixels()), absl::StrCat(y.hole_pixels()));
      add("specks", absl::StrCat(x.speck_pixels()), absl::StrCat(y.speck_pixels()));
      add("covered", absl::StrCat(x.covered_pixels()), absl::StrCat(y.covered_pixels()));
      add("soft %", soft(x), soft(y));
      add("flicker", part(x.has_flicker(), x.flicker()), part(y.has_flicker(), y.flicker()));
      if (!x.has_spill_pixels() || !y.has_spill_pixels()) continue;
      add("spill", absl::StrCat(x.spill_pixels()), absl::StrCat(y.spill_pixels()));
      add("edge spill", part(true, x.edge_spill()), part(true, y.edge_spill()));
    }
    json->Add("figures", all.text());
    if (!globals.json && !rows.empty()) {
      std::printf("\nat %d:\n%s", *frame_, Table({"pass", "figure", a.name, b.name}, rows).c_str());
    }
    return absl::OkStatus();
  }

  absl::Status ShowPicture(const Globals& globals, Connection& connection, const Side& a, const Side& b,
                           JsonObject* json) const {
    Picture pictures[2];
    const Side* sides[] = {&a, &b};
    for (int i = 0; i < 2; ++i) {
      LookRequest request;
      *request.mutable_stack() = sides[i]->stack;
      request.set_pass(pass_);
      request.set_frame(*frame_);
      ASSIGN_OR_RETURN(*request.mutable_look(), options_.Make());
      const auto refuse = [&](const auto& errors) { return sides[i]->Refuse(errors); };
      ASSIGN_OR_RETURN(const ReceivedFile file, ReceiveLook(connection, connection.jobs(), request, refuse));
      ASSIGN_OR_RETURN(pictures[i], ReadPng(file.bytes));
    }
    ASSIGN_OR_RETURN(const PictureDifference difference, DifferenceOf(pictures[0], pictures[1]));
    Picture shown = difference.picture;
    if (show_ == "wipe") {
      ASSIGN_OR_RETURN(shown, Wiped(pictures[0], pictures[1], options_.wipe));
    } else if (show_ == "side") {
      ASSIGN_OR_RETURN(shown, SideBySide(pictures[0], pictures[1]));
    }
    ASSIGN_OR_RETURN(const std::string bytes, WritePng(shown));
    RETURN_IF_ERROR(WriteFileAtomically(output_, bytes));
    json->Add("file", JsonText(output_)).Add("differ", absl::StrCat(difference.pixels));
    if (!globals.json) std::printf("\n%s: %s\n%s\n", pass_.c_str(), InWords(difference).c_str(), output_.c_str());
    return absl::OkStatus();
  }

  std::string first_, second_, pass_, output_, show_ = "wipe";
  std::optional<int> frame_;
  LookOptions options_;
};
REGISTER_COMMAND(Compare);

}  // namespace
}  // namespace selvage::client
