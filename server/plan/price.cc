#include "server/plan/price.h"

#include <algorithm>

#include "absl/strings/str_cat.h"
#include "server/plan/mask_resolver.h"
#include "server/plan/words.h"

namespace selvage::plan {
namespace {

void AddSegment(const Segment& s, int64_t frames, Price* price) {
  const int64_t windowed =
      1 + std::count_if(s.sides.begin(), s.sides.end(), [](const SideInput& side) { return side.windowed; });
  const int64_t moving =
      std::count_if(s.steps.begin(), s.steps.end(), [](const Step& step) { return HasKeyFrames(step); });
  price->tasks += frames;
  price->inputs += frames * (1 + static_cast<int64_t>(s.sides.size()) + 2 * s.window * windowed);
  price->moving_steps += frames * moving;
}

void AddMask(const Stack& stack, int index, int64_t frames, Price* price) {
  const Mask& mask = stack.mask(index);
  const MaskSize size = SizeOf(mask);
  price->mask_numbers += size.numbers * (size.animated ? frames : 1);
  if (size.numbers <= price->largest_mask_numbers) return;
  price->largest_mask = index;
  price->largest_mask_name = mask.name();
  price->largest_mask_frames = size.animated ? frames : 1;
  price->largest_mask_instants = size.instants;
  price->largest_mask_numbers = size.numbers;
}

StackError Error(std::string path, std::string message) {
  StackError e;
  e.set_path(std::move(path));
  e.set_message(std::move(message));
  return e;
}

// "100,000 frames x 64 tasks".
std::string AFrame(const Price& price, int64_t count, const std::string& words) {
  const int64_t frames = std::max<int64_t>(1, price.frames);
  return absl::StrCat(Grouped(frames), frames == 1 ? " frame x " : " frames x ", Grouped((count + frames - 1) / frames),
                      " ", words);
}

std::string InstantsInWords(const Price& price) {
  if (price.largest_mask_instants <= 1) return "";
  return absl::StrCat(" x ", price.largest_mask_instants, " instants of its shutter");
}

}  // namespace

Price PriceOf(const Stack& stack, const StackCut& cut, const Demand& demand) {
  Price price;
  price.deliverables = stack.deliver_size();
  for (size_t i = 0; i < cut.segments.size(); ++i) {
    const int64_t frames = demand.segment[i].size();
    price.frames = std::max(price.frames, frames);
    AddSegment(cut.segments[i], frames, &price);
  }
  for (const FrameSet& frames : demand.plate) price.files += frames.size();
  for (int i = 0; i < stack.mask_size(); ++i) {
    if (!demand.mask[i].empty()) AddMask(stack, i, demand.mask[i].size(), &price);
  }
  return price;
}

Price PriceOf(const Stack& stack, const std::vector<Target>& targets) {
  if (!targets.empty()) {
    const StackCut cut = CutStack(stack, targets);
    return PriceOf(stack, cut, FindDemand(stack, targets, cut));
  }
  // One target stands for all frames of its deliverable.
  std::vector<Target> each;
  std::vector<FrameSet> frames;
  for (const Deliverable& d : stack.deliver()) {
    each.emplace_back().deliverable = d.name();
    const FrameRange& range = d.has_frames() ? d.frames() : stack.frames();
    frames.push_back(Frames{range.first(), range.last()});
  }
  const StackCut cut = CutStack(stack, each);
  return PriceOf(stack, cut, FindDemand(stack, frames, cut));
}

std::optional<StackError> TooCostly(const Price& price, const Limits& limits) {
  const std::string what_to_do = ": submit fewer frames at a time, or start selvaged with --plan-tasks N";
  const auto fault = [&](const std::string& would, const std::string& product, int64_t allowed) {
    return Error("frames", absl::StrCat(would, " (", product, "), allowed ", Grouped(allowed), what_to_do));
  };
  if (price.tasks > limits.tasks) {
    const bool deliverables = price.tasks == price.frames * price.deliverables;
    return fault(absl::StrCat("this plan would have ", Grouped(price.tasks), " tasks"),
                 AFrame(price, price.tasks, deliverables ? "deliverables" : "tasks"), limits.tasks);
  }
  if (price.inputs > limits.inputs()) {
    return fault(absl::StrCat("the tasks of this plan would read ", Grouped(price.inputs), " inputs"),
                 AFrame(price, price.inputs, "inputs"), limits.inputs());
  }
  if (price.moving_steps > limits.moving_steps()) {
    return fault(absl::StrCat("this plan would work out ", Grouped(price.moving_steps), " steps with key frames"),
                 AFrame(price, price.moving_steps, "steps"), limits.moving_steps());
  }
  if (price.files > limits.files()) {
    return fault(absl::StrCat("this plan would read ", Grouped(price.files), " files of plates"),
                 AFrame(price, price.files, "files"), limits.files());
  }
  const std::string points =
      absl::StrCat(Grouped(price.largest_mask_numbers / std::max<int64_t>(1, price.largest_mask_instants)), " numbers");
  const std::string mask = absl::StrCat("mask \"", price.largest_mask_name, "\"");
  if (price.largest_mask_numbers > limits.numbers_of_a_mask) {
    return Error(absl::StrCat("mask[", price.largest_mask, "]"),
                 absl::StrCat(mask, ": its curves have ", Grouped(price.largest_mask_numbers),
                              " numbers at one frame (", points, InstantsInWords(price), "), allowed ",
                              Grouped(limits.numbers_of_a_mask), ": draw it with fewer points, or as several masks"));
  }
  if (price.mask_numbers > limits.mask_numbers()) {
    return fault(
        absl::StrCat("the masks of this plan would have ", Grouped(price.mask_numbers), " numbers in their curves"),
        absl::StrCat("most in ", mask, ": ", Grouped(price.largest_mask_frames), " frames", InstantsInWords(price),
                     " x ", points),
        limits.mask_numbers());
  }
  return std::nullopt;
}

}  // namespace selvage::plan
