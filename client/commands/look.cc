// `selvage look`: one frame of one pass as a PNG.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/exit_code.h"
#include "client/json.h"
#include "client/language/choices.h"
#include "client/output.h"
#include "client/saved_file.h"
#include "client/stack_arguments.h"
#include "client/write_file.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

// A look is a PNG; under another ending it would be one in disguise.
absl::Status CheckName(const std::string& output) {
  const std::string ending = absl::AsciiStrToLower(std::filesystem::path(output).extension().string());
  if (ending == ".png") return absl::OkStatus();
  const std::string png = std::filesystem::path(output).replace_extension(".png").string();
  return UsageError(absl::StrCat("--output ", output, ": a look is written as PNG; call it ", png,
                                 " (files of other types are made by a `deliver` of the stack)"));
}

class Look final : public Command {
 public:
  CommandHelp help() const override {
    return {"look", Group::kResult, "Write one frame of one pass as a PNG",
            "Only what this frame needs is rendered, ahead of jobs, and is reused by them.\n"
            "  matte       the alpha as grey\n"
            "  black       the picture over black\n"
            "  checker     over a grey checker\n"
            "  plate       over the plate\n"
            "  background  over --background\n"
            "  color       its colour alone, without alpha\n"
            "  wipe        left of --wipe over the plate, right of it the plate alone\n"
            "  selvage look apiary_010.stack hair --frame 1012 --as black --stops 2 -o hair.png\n"
            "  selvage look apiary_010.stack matte -f 1012 --as matte --set matte.levels.black=0.1 -o try.png"};
  }

  void Declare(CLI::App* app) override {
    stack_.Declare(app);
    app->add_option("PASS", pass_, "A pass, plate or mask")->required();
    app->add_option("--frame,-f", frame_, "Frame number")->required();
    app->add_option("--as", as_, "How it is shown; see below")
        ->capture_default_str()
        ->type_name("matte|black|checker|plate|background|color|wipe");
    app->add_option("--background", background_, "Plate or pass behind it, for --as background")->type_name("NAME");
    app->add_option("--output,-o", output_, "PNG to write; its folder must be there")->required()->type_name("FILE");
    app->add_option("--stops", stops_, "Brighter or darker, for looking only")->capture_default_str();
    app->add_option("--wipe", wipe_, "Where the wipe stands, from 0 (left) to 1")->capture_default_str();
    app->add_flag("--follow", follow_, "Look again each time that the stack's file is saved; Ctrl-C ends it");
    app->add_option("--longest-side", longest_side_, "Shrink to this many pixels; 0: full size");
  }

  absl::Status Run(const Globals& globals) override {
    RETURN_IF_ERROR(CheckName(output_));
    Connection connection(globals);
    if (!follow_) return Once(globals, connection);
    return AtEachSave(stack_.stack, [&](const auto&) { return Once(globals, connection); });
  }

 private:
  absl::Status Once(const Globals& globals, Connection& connection) const {
    const auto* as = FindChoice(LookPicture::As_descriptor(), as_);
    if (as == nullptr) {
      return UsageError(
          absl::StrCat("--as cannot be ", as_, absl::AsciiStrToLower(ChoiceHelp(LookPicture::As_descriptor(), as_))));
    }
    ASSIGN_OR_RETURN(const StackFile file, stack_.Read());
    LookRequest request;
    *request.mutable_stack() = file.stack();
    request.set_pass(pass_);
    request.set_frame(frame_);
    LookPicture& look = *request.mutable_look();
    look.set_as(static_cast<LookPicture::As>(as->number()));
    look.set_behind(background_);
    look.mutable_stops()->set_value(stops_);
    look.mutable_wipe()->set_value(wipe_);
    look.set_longest_side(longest_side_);
    const auto open = [&](grpc::ClientContext* context, uint64_t) { return connection.jobs().Look(context, request); };
    ASSIGN_OR_RETURN(const ReceivedFile picture, ReceiveFile(connection, open));
    RETURN_IF_ERROR(file.Refuse(picture.errors));
    RETURN_IF_ERROR(WriteFileAtomically(output_, picture.bytes));
    Say(globals, picture);
    return absl::OkStatus();
  }

  void Say(const Globals& globals, const ReceivedFile& picture) const {
    if (!globals.json) {
      std::fputs(Warnings(picture.warnings).c_str(), stderr);
      std::printf("%s\n", output_.c_str());
      return;
    }
    JsonArray warnings;
    for (const JobWarning& w : picture.warnings) warnings.Add(JsonOf(w));
    std::fputs((JsonObject()
                    .Add("pass", JsonText(pass_))
                    .Add("frame", absl::StrCat(frame_))
                    .Add("file", JsonText(output_))
                    .Add("bytes", absl::StrCat(picture.bytes.size()))
                    .Add("warning", warnings.text())
                    .text() +
                "\n")
                   .c_str(),
               stdout);
  }

  StackArguments stack_;
  std::string pass_;
  int frame_ = 0;
  std::string as_ = "checker", background_, output_;
  double stops_ = 0, wipe_ = 0.5;
  unsigned longest_side_ = 0;
  bool follow_ = false;
};
REGISTER_COMMAND(Look);

}  // namespace
}  // namespace selvage::client
