// `selvage mask`: shapes that are drawn elsewhere.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>
#include <fstream>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "client/command.h"
#include "client/exit_code.h"
#include "client/json.h"
#include "client/language/stack_file.h"
#include "client/loom/import_masks.h"
#include "client/svg/svg_file.h"
#include "client/write_file.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

class MaskCommand final : public Command {
 public:
  CommandHelp help() const override {
    return {"mask", Group::kStack, "Bring in masks that were drawn elsewhere, or take them there",
            "  selvage mask import boots.svg apiary_010.stack\n"
            "  selvage mask export apiary_010.stack boots -o boots.svg"};
  }
  absl::Status Run(const Globals&) override { return UsageError("say `selvage mask import` or `selvage mask export`"); }
};
REGISTER_COMMAND(MaskCommand);

class MaskImport final : public Command {
 public:
  CommandHelp help() const override {
    return {
        "import", Group::kStack, "Put the outlines of an SVG file into a stack as masks",
        "A layer (a group directly below the root) becomes a mask of its name. Layers whose names end in a frame of\n"
        "the stack, as in \"boots 1012\", are the key frames of one mask: the same shapes in the same order, each "
        "with\n"
        "as many points. What lies in no layer gets the file's name. Paths, rectangles, circles, ellipses and "
        "polygons\n"
        "are taken, all transforms resolved; the drawing covers the picture.\n"
        "  selvage mask import boots.svg apiary_010.stack\n"
        "  selvage mask import boots.svg apiary_010.stack --replace     drawn anew; feather and the rest stay",
        "mask"};
  }

  void Declare(CLI::App* app) override {
    app->add_option("FILE", svg_, "The SVG file")->required();
    app->add_option("STACK", stack_, "The stack file")->required();
    app->add_flag("--replace", replace_, "Draw masks anew that the stack has already");
  }

  absl::Status Run(const Globals& globals) override {
    ASSIGN_OR_RETURN(const StackFile file, StackFile::Read(stack_));
    std::ifstream in(svg_, std::ios::binary);
    if (!in.is_open()) return absl::InvalidArgumentError(absl::StrCat(svg_, ": there is no such file"));
    std::string text(kMostBytes + 1, '\0');
    in.read(text.data(), static_cast<std::streamsize>(text.size()));
    text.resize(static_cast<size_t>(in.gcount()));
    const Annotate where(svg_);
    ASSIGN_OR_RETURN(const SvgDrawing drawing, ReadSvg(text, file.stack().format()), where);
    const std::string stem = std::filesystem::path(svg_).stem().string();
    ASSIGN_OR_RETURN(const std::vector<Mask> masks, MasksOf(drawing, file.stack().frames(), stem), where);
    absl::StatusOr<std::string> edited = WithMasks(file.text(), file.stack(), masks, replace_);
    if (absl::IsAlreadyExists(edited.status())) {
      return absl::InvalidArgumentError(absl::StrCat(edited.status().message(), "; --replace draws it anew"));
    }
    RETURN_IF_ERROR(edited.status());
    RETURN_IF_ERROR(StackFile::Parse(stack_, *edited).status());
    std::error_code error;
    const auto real = std::filesystem::canonical(stack_, error);
    RETURN_IF_ERROR(WriteFileAtomically(error ? stack_ : real.string(), *edited));
    Say(globals, masks, drawing);
    return absl::OkStatus();
  }

 private:
  static constexpr size_t kMostBytes = 64u << 20;

  void Say(const Globals& globals, const std::vector<Mask>& masks, const SvgDrawing& drawing) const {
    JsonArray list, left_out;
    for (const Mask& mask : masks) {
      const int keys = mask.shape_size() > 0 ? mask.shape(0).at_size() : 0;
      list.Add(JsonObject()
                   .Add("name", JsonText(mask.name()))
                   .Add("shapes", absl::StrCat(mask.shape_size()))
                   .Add("key_frames", absl::StrCat(keys))
                   .text());
      if (globals.json) continue;
      std::printf("mask %s: %d %s%s\n", mask.name().c_str(), mask.shape_size(),
                  mask.shape_size() == 1 ? "shape" : "shapes",
                  keys > 0 ? absl::StrCat(", ", keys, " key frames").c_str() : "");
    }
    for (const std::string& what : drawing.left_out) {
      left_out.Add(JsonText(what));
      if (!globals.json) std::fprintf(stderr, "left out: %s\n", what.c_str());
    }
    if (!globals.json) return;
    std::fputs((JsonObject().Add("mask", list.text()).Add("left_out", left_out.text()).text() + "\n").c_str(), stdout);
  }

  std::string svg_, stack_;
  bool replace_ = false;
};
REGISTER_COMMAND(MaskImport);

class MaskExport final : public Command {
 public:
  CommandHelp help() const override {
    return {"export", Group::kStack, "Write a mask of a stack as an SVG file",
            "One layer for each key frame, with every shape as it is there; `selvage mask import` reads it again.\n"
            "Feather, opacity and track are not in it.\n"
            "  selvage mask export apiary_010.stack boots -o boots.svg",
            "mask"};
  }

  void Declare(CLI::App* app) override {
    app->add_option("STACK", stack_, "The stack file")->required();
    app->add_option("MASK", mask_, "The mask's name")->required();
    app->add_option("--output,-o", output_, "The SVG file to write")->required()->type_name("FILE");
  }

  absl::Status Run(const Globals& globals) override {
    ASSIGN_OR_RETURN(const StackFile file, StackFile::Read(stack_));
    std::vector<std::string> names;
    for (const Mask& mask : file.stack().mask()) {
      names.push_back(mask.name());
      if (mask.name() != mask_) continue;
      ASSIGN_OR_RETURN(const std::string svg, WriteSvg(mask, file.stack().format()), Annotate("mask \"", mask_, "\""));
      RETURN_IF_ERROR(WriteFileAtomically(output_, svg));
      if (globals.json) {
        std::fputs((JsonObject().Add("file", JsonText(output_)).text() + "\n").c_str(), stdout);
      } else {
        std::printf("%s\n", output_.c_str());
      }
      return absl::OkStatus();
    }
    return absl::InvalidArgumentError(
        absl::StrCat(stack_, ": there is no mask \"", mask_, "\"",
                     names.empty() ? "" : absl::StrCat("; there are ", absl::StrJoin(names, ", "))));
  }

 private:
  std::string stack_, mask_, output_;
};
REGISTER_COMMAND(MaskExport);

}  // namespace
}  // namespace selvage::client
