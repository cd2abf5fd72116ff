#include "server/plan/plate_facts.h"

#include <algorithm>
#include <cmath>

#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"
#include "proto/plate_channels.h"
#include "server/plan/file_type.h"
#include "server/plan/key.h"

namespace selvage::plan {
namespace {

constexpr uint32_t kMaxSide = 65'536;

std::string Size(uint64_t width, uint64_t height) { return absl::StrCat(width, " x ", height); }

bool TooLarge(uint64_t width, uint64_t height, const Limits& limits) {
  return width > kMaxSide || height > kMaxSide || width * height > static_cast<uint64_t>(limits.format_pixels);
}

// Workers are other programs: what enters keys must be numbers, and few.
bool IsSound(const FileMetadata& m) {
  constexpr size_t kLongestReel = 200;
  const auto finite = [](float v) { return std::isfinite(v); };
  return finite(m.pixel_aspect()) && (m.chromaticity_size() == 0 || m.chromaticity_size() == 8) &&
         std::all_of(m.chromaticity().begin(), m.chromaticity().end(), finite) && m.reel().size() <= kLongestReel;
}

std::string At(const PlateFile& file) { return absl::StrCat("frame ", file.frame, " (", file.path, ")"); }

// Where the chosen part has pixels.
const Window& DataWindowOf(const PlateFacts& facts, const PlateChoice& choice) {
  return facts.part_size() > static_cast<int>(choice.part) ? facts.part(static_cast<int>(choice.part)).data_window()
                                                           : facts.data_window();
}

// What is wrong with the sizes of one file, or "".
std::string SizeFault(const PlateFacts& facts, const Window& window, const PlateFile& file, const Limits& limits) {
  const std::string at = At(file);
  const Format& format = facts.format();
  if (format.width() == 0 || format.height() == 0 || window.width() == 0 || window.height() == 0) {
    return absl::StrCat(at, " is an empty picture");
  }
  const std::string allowed = absl::StrCat("allowed are ", kMaxSide, " a side and ", limits.format_pixels, " in all");
  if (TooLarge(format.width(), format.height(), limits)) {
    return absl::StrCat(at, " is ", Size(format.width(), format.height()), " pixels, ", allowed);
  }
  // A result covers the format and the data window: what lies between them counts.
  const int64_t x0 = std::min<int64_t>(0, window.x()), y0 = std::min<int64_t>(0, window.y());
  const int64_t x1 = std::max<int64_t>(format.width(), int64_t{window.x()} + window.width());
  const int64_t y1 = std::max<int64_t>(format.height(), int64_t{window.y()} + window.height());
  if (TooLarge(static_cast<uint64_t>(x1 - x0), static_cast<uint64_t>(y1 - y0), limits)) {
    return absl::StrCat(at, " has a data window of ", Size(window.width(), window.height()), " pixels at ", window.x(),
                        ", ", window.y(), ", ", allowed);
  }
  return "";
}

// What is wrong with one file, or ""; and which of its pictures is the plate's.
std::string Fault(const Plate& plate, const PlateFacts* facts, const PlateFile& file, const Limits& limits,
                  PlateChoice* choice) {
  if (facts == nullptr) return absl::StrCat(At(file), " could not be read");
  // Facts of before there were parts don't reach us, but say nothing of them either.
  if (facts->part_size() > 0) {
    auto chosen = ChoosePicture(plate, *facts);
    if (!chosen.ok()) return absl::StrCat(At(file), " ", chosen.status().message());
    *choice = *std::move(chosen);
  }
  return SizeFault(*facts, DataWindowOf(*facts, *choice), file, limits);
}

// The field that a fault of a plate's file is laid to.
const char* FieldOf(const Plate& plate) {
  return !plate.layer().empty() ? "layer" : !plate.part().empty() ? "part" : "files";
}

PlateRead ReadOf(const Plate& plate, const PlateFile& file, const PlateFacts& facts, const PlateChoice& choice) {
  PlateRead read;
  read.set_path(file.path);
  read.set_digest(facts.digest());
  read.set_encoding(plate.has_encoding() ? plate.encoding() : facts.encoding());
  read.set_alpha(plate.alpha());
  read.set_part(choice.part);
  read.set_layer(choice.layer);
  return read;
}

}  // namespace

PlateTable::PlateTable(const Stack& stack, const PlateFiles& files, const FactsOf& facts, const Limits& limits,
                       std::vector<StackError>* errors)
    : entries_(stack.plate_size()) {
  std::vector<const PlateFile*> first_file(stack.plate_size(), nullptr);
  std::vector<Format> first_format(stack.plate_size());
  std::vector<bool> faulty(stack.plate_size(), false);
  // Held frames and stills: one entry for all frames of a path.
  std::vector<absl::flat_hash_map<std::string, Entry>> by_path(stack.plate_size());
  for (const PlateFile& file : files.files) {
    if (faulty[file.plate]) continue;
    const Plate& plate = stack.plate(file.plate);
    auto [known, is_new] = by_path[file.plate].try_emplace(file.path);
    if (is_new) {
      const PlateFacts* f = facts(file.path);
      PlateChoice choice;
      std::string fault = Fault(plate, f, file, limits, &choice);
      const PlateFile*& first = first_file[file.plate];
      if (fault.empty() && first == nullptr) {
        first = &file;
        first_format[file.plate] = f->format();
      }
      const Format& size = first_format[file.plate];
      if (fault.empty() && (f->format().width() != size.width() || f->format().height() != size.height())) {
        fault = absl::StrCat("frame ", file.frame, " is ", Size(f->format().width(), f->format().height()),
                             " pixels, frame ", first->frame, " is ", Size(size.width(), size.height()),
                             ": all frames of a plate must have the same size");
      }
      if (!fault.empty()) {
        faulty[file.plate] = true;
        StackError& e = errors->emplace_back();
        e.set_path(absl::StrCat("plate[", file.plate, "].", FieldOf(plate)));
        e.set_message(absl::StrCat("plate \"", plate.name(), "\": ", fault));
        continue;
      }
      auto read = std::make_shared<PlateRead>(ReadOf(plate, file, *f, choice));
      known->second.content = PlateContent(*read);
      known->second.read = std::move(read);
      if (f->metadata().ByteSizeLong() > 0 && IsSound(f->metadata()))
        known->second.metadata = std::make_shared<FileMetadata>(f->metadata());
    }
    entries_[file.plate][file.frame] = known->second;
  }
  if (!first_format.empty()) first_format_ = first_format[0];
}

const PlateTable::Entry& PlateTable::At(int plate, int32_t frame) const {
  static const Entry kNothing;
  auto it = entries_[plate].find(frame);
  return it == entries_[plate].end() ? kNothing : it->second;
}

std::vector<StackError> CheckBoxes(const Stack& stack, const Format& format) {
  std::vector<StackError> errors;
  for (int p = 0; p < stack.pass_size(); ++p) {
    for (int s = 0; s < stack.pass(p).step_size(); ++s) {
      const Step& step = stack.pass(p).step(s);
      const Operator* o = OperatorOf(step);
      if (o == nullptr) continue;
      for (const Port& port : PortsOf(ParamsOf(step))) {
        if (port.box == nullptr) continue;
        const SampleBox& b = *port.box;
        if (b.x() >= 0 && b.y() >= 0 && int64_t{b.x()} + b.width() <= format.width() &&
            int64_t{b.y()} + b.height() <= format.height()) {
          continue;
        }
        if (errors.size() == 50) return errors;
        StackError& e = errors.emplace_back();
        e.set_path(absl::StrCat("pass[", p, "].step[", s, "].", o->name, ".", port.path));
        e.set_message(absl::StrCat("pass \"", stack.pass(p).name(), "\" step ", s + 1, " (", o->name, ") ", port.path,
                                   ": the box at ", b.x(), ", ", b.y(), " of ", Size(b.width(), b.height()),
                                   " reaches outside the picture of ", Size(format.width(), format.height())));
      }
    }
  }
  return errors;
}

}  // namespace selvage::plan
