// `selvage new`: a starting stack for a plate.
#include <CLI/CLI.hpp>
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/encoding.h"
#include "client/json.h"
#include "client/start/new_stack.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

std::string Percent(double share) { return absl::StrFormat("%.0f %%", 100 * share); }

void Print(const std::string& output, const StartingStack& s) {
  const PlateFindings& f = s.findings;
  const SampleBox& box = f.box();
  std::vector<std::vector<std::string>> rows = {
      {"plate",
       absl::StrFormat("%s, %d x %d, frames %d-%d", s.plate_files, f.width(), f.height(), f.first(), f.last())},
      {"encoding",
       absl::StrFormat("%s; values from %.3g to %.3g", EncodingName(f.encoding()), f.least(), f.greatest())},
      {"surveyed", absl::StrCat("frames ", absl::StrJoin(f.surveyed(), ", "))},
      {"screen", absl::StrFormat("R %.3g G %.3g B %.3g, saturation %.2f; bare over %s of the picture", f.screen(0),
                                 f.screen(1), f.screen(2), f.saturation(), Percent(f.bare_share()))},
      {"sample box", absl::StrFormat("x %d y %d, %d x %d; noise %.2g %% of its level", box.x(), box.y(), box.width(),
                                     box.height(), 100 * f.roughness())},
      {"chroma", f.chroma_halved() ? "at half resolution: `chroma_detail` puts detail back before the key"
                                   : "at full resolution"},
      {"garbage mask",
       f.garbage().empty() ? "none" : absl::StrCat("keeps ", Percent(f.garbage_share()), " of the picture")}};
  for (const auto& row : rows) std::printf("%-13s %s\n", row[0].c_str(), row[1].c_str());
  const int middle = static_cast<int>((int64_t{f.first()} + f.last()) / 2);
  const char* file = output.c_str();
  std::printf(
      "\n%s is written. Next:\n  selvage look %s front --frame %d --as checker -o front.png\n"
      "  selvage submit %s --watch\n",
      file, file, middle, file);
}

class New final : public Command {
 public:
  CommandHelp help() const override {
    return {"new", Group::kStack, "Write a starting stack for a plate: it keys as it stands",
            "The plate is surveyed at a handful of frames: colour of the screen (any hue), a box of bare screen\n"
            "for noise and colour, a garbage mask around all that is not screen. --json prints what was found.\n"
            "  selvage new --plate plates/apiary_010.%04d.exr --background bg/meadow.%04d.exr -o apiary_010.stack\n"
            "  selvage new --plate plates/apiary_010.1001.exr --screen-box 40,40,96,96 -o apiary_010.stack"};
  }

  void Declare(CLI::App* app) override {
    app->add_option("--plate", wish_.plate, "Path with %04d for the frame number, or of one frame")
        ->required()
        ->type_name("FILES");
    app->add_option("--output,-o", wish_.output, "Stack to write")->required()->type_name("STACK");
    app->add_option("--background", wish_.background, "What it goes over; default: a plain grey")->type_name("FILES");
    app->add_option("--frames", wish_.frames,
                    "Only these, as in 1001-1048; default: all. Needed where only the daemon sees the files")
        ->type_name("A-B");
    app->add_option("--encoding", wish_.encoding,
                    "linear, srgb, bt709, printing_density or acescct; default: as the files' headers say, else linear "
                    "for EXR, printing density for DPX, srgb for the rest");
    app->add_option("--screen-box", wish_.screen_box,
                    "A box of bare screen, where it isn't found by itself; @FRAME: it is bare at that frame")
        ->type_name("X,Y,WIDTH,HEIGHT");
    app->add_flag("--force", wish_.replace, "Replace the stack if it is there");
  }

  absl::Status Run(const Globals& globals) override {
    Connection connection(globals);
    const absl::StatusOr<StartingStack> made = WriteNewStack(&connection, wish_);
    if (absl::IsAlreadyExists(made.status())) {
      return absl::InvalidArgumentError(absl::StrCat(made.status().message(), "; --force replaces it"));
    }
    RETURN_IF_ERROR(made.status());
    const StartingStack& s = *made;
    for (const std::string& warning : s.findings.warning()) std::fprintf(stderr, "warning: %s\n", warning.c_str());
    if (globals.json) {
      std::fputs(Json(s.findings).c_str(), stdout);
    } else {
      Print(wish_.output, s);
    }
    return absl::OkStatus();
  }

 private:
  NewStack wish_;
};
REGISTER_COMMAND(New);

}  // namespace
}  // namespace selvage::client
