// SVG files of other programs: drawings that `selvage mask` reads.
#include "client/svg/svg_file.h"
#include "proto/svg_path.h"
#include "tests/fuzz/target.h"

using namespace selvage;

FUZZ_TARGET(svg_file) {
  Format format;
  format.set_width(64);
  format.set_height(48);
  const auto drawing = client::ReadSvg(std::string(text), format);
  if (!drawing.ok()) {
    MUST(drawing.status().code() == absl::StatusCode::kInvalidArgument);
    MUST(!drawing.status().message().empty());
    return;
  }
  for (const client::SvgLayer& layer : drawing->layers) {
    for (const client::SvgShape& shape : layer.shapes) MUST(ParseSvgPath(shape.path).ok());
  }
  FrameRange frames;
  frames.set_first(1);
  frames.set_last(20);
  const auto masks = client::MasksOf(*drawing, frames, "mask");
  if (!masks.ok()) {
    MUST(masks.status().code() == absl::StatusCode::kInvalidArgument);
    return;
  }
  // What is written is read again.
  for (const Mask& mask : *masks) {
    const auto written = client::WriteSvg(mask, format);
    MUST(written.ok());
    MUST(client::ReadSvg(*written, format).ok());
  }
}
