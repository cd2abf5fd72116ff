#include "worker/chain/chain.h"

#include <algorithm>
#include <bit>
#include <boost/endian/conversion.hpp>
#include <cstring>
#include <map>

#include "absl/strings/str_cat.h"
#include "proto/status.h"
#include "worker/chain/not_finite.h"

namespace selvage::worker {
namespace {

absl::Status ReadExtended(Source& source, const Rect& rect, Beyond beyond, Picture* out) {
  const Rect inside = PartInside(rect, source.window(), beyond);
  if (inside.empty()) {
    out->kind = source.kind();
    out->planes.assign(ChannelCount(out->kind), Plane::Filled(rect, 0));
    return absl::OkStatus();
  }
  RETURN_IF_ERROR(source.Read(inside, out));
  for (Plane& plane : out->planes) plane = Extend(plane, rect, beyond);
  return absl::OkStatus();
}

// The same on any machine: it enters keys.
void AppendInt(int32_t value, std::string* out) {
  const auto little = boost::endian::native_to_little(value);
  out->append(reinterpret_cast<const char*>(&little), sizeof little);
}

void AppendRect(const Rect& rect, std::string* out) {
  for (int v : {rect.x0, rect.y0, rect.x1, rect.y1}) AppendInt(v, out);
}

void AppendOutline(const Outline& outline, std::string* out) {
  for (const Outline::Path& path : outline.path()) {
    AppendInt(path.xy_size(), out);
    for (double v : path.xy()) {
      const auto bits = std::bit_cast<uint64_t>(v);
      AppendInt(static_cast<int32_t>(bits), out);
      AppendInt(static_cast<int32_t>(bits >> 32), out);
    }
  }
}

bool AllConstant(const Inputs& inputs) {
  bool any = false;
  for (const Input& input : inputs.all()) {
    for (const Plane& plane : input.picture.planes) {
      if (!plane.constant) return false;
      any = true;
    }
  }
  return any;
}

// Planes that cover what the picture of `rect` needs, for a pixel of it.
Inputs OfOnePixel(const Inputs& inputs, const std::function<Rect(const Input&)>& needs) {
  Inputs small = inputs;
  for (Input& input : small.all()) {
    const Rect need = needs(input);
    for (Plane& plane : input.picture.planes) plane = Plane::Filled(need, *plane.constant);
  }
  return small;
}

void Allocate(Kind kind, const Rect& rect, Picture* out) {
  out->kind = kind;
  out->planes.clear();
  for (int c = 0; c < ChannelCount(kind); ++c) out->planes.emplace_back(rect);
}

}  // namespace

Rect PartInside(const Rect& rect, const Rect& window, Beyond beyond) {
  if (beyond == Beyond::kTransparent || window.empty()) return rect.Intersect(window);
  return {std::clamp(rect.x0, window.x0, window.x1 - 1), std::clamp(rect.y0, window.y0, window.y1 - 1),
          std::clamp(rect.x1, window.x0 + 1, window.x1), std::clamp(rect.y1, window.y0 + 1, window.y1)};
}

Plane Extend(const Plane& inside, const Rect& rect, Beyond beyond) {
  const Rect& have = inside.rect();
  if (have == rect) return inside;
  const bool repeat = beyond == Beyond::kRepeat;
  if (inside.constant && (repeat || *inside.constant == 0)) return Plane::Filled(rect, *inside.constant);
  Plane out(rect);
  const int left = std::clamp(have.x0 - rect.x0, 0, rect.width());
  const int right = std::clamp(rect.x1 - have.x1, 0, rect.width());
  const int middle = rect.width() - left - right;
  for (int y = rect.y0; y < rect.y1; ++y) {
    float* to = out.row(y);
    if (!repeat && (y < have.y0 || y >= have.y1)) {
      std::fill_n(to, rect.width(), 0.0f);
      continue;
    }
    const float* from = inside.row(std::clamp(y, have.y0, have.y1 - 1));
    std::fill_n(to, left, repeat ? from[0] : 0.0f);
    if (middle > 0) std::memcpy(to + left, from + (rect.x0 + left - have.x0), sizeof(float) * middle);
    std::fill_n(to + rect.width() - right, right, repeat ? from[have.width() - 1] : 0.0f);
  }
  return out;
}

absl::StatusOr<std::unique_ptr<Chain>> Chain::Make(const OpContext& context, std::vector<Step> steps,
                                                   std::vector<ChainInput> inputs, uint32_t first_step,
                                                   const TaskSpans& spans) {
  std::unique_ptr<Chain> chain(new Chain);
  chain->context_ = context;
  chain->steps_ = std::move(steps);
  chain->first_step_ = first_step;
  chain->spans_ = spans;
  if (chain->steps_.empty()) {
    if (inputs.size() != 1 || inputs[0].source == nullptr)
      return absl::InternalError("a task without steps needs one picture");
    chain->source_ = inputs[0].source;
    chain->kind_ = chain->source_->kind();
    chain->window_ = chain->source_->window();
    return chain;
  }
  chain->links_.reserve(chain->steps_.size());
  for (int i = 0; i < static_cast<int>(chain->steps_.size()); ++i) RETURN_IF_ERROR(chain->AddLink(i, &inputs));
  const Link& last = chain->links_.back();
  chain->kind_ = last.kind;
  if (chain->kind_ != BLOB) chain->window_ = last.window;
  chain->full_precision_ = last.info->traits.full_precision();
  return chain;
}

absl::Status Chain::AddLink(int index, std::vector<ChainInput>* inputs) {
  Link link;
  const Step& step = steps_[index];
  link.info = OperatorOf(step);
  if (link.info == nullptr) return absl::InternalError(absl::StrCat("step ", first_step_ + index + 1, " is empty"));
  link.op = FindOp(link.info->name);
  if (link.op == nullptr) return absl::InternalError(absl::StrCat("this worker has no operator ", link.info->name));
  link.params = &ParamsOf(step);
  heavy_ = heavy_ || link.info->heavy();
  Kind main = KIND_UNSPECIFIED;
  if (index > 0) {
    Input before;
    before.port = "in";
    before.kind = main = links_[index - 1].kind;
    before.window = links_[index - 1].window;
    link.inputs.push_back(before);
    link.sources.push_back(nullptr);
  }
  for (ChainInput& given : *inputs) {
    if (given.step != index) continue;
    Input input;
    input.port = given.port;
    input.frame_offset = given.frame_offset;
    input.kind = given.source ? given.source->kind() : BLOB;
    if (given.source) input.window = given.source->window();
    input.numbers = std::move(given.numbers);
    input.measured = std::move(given.measured);
    const auto* counts = dynamic_cast<const CountsNotFinite*>(given.source.get());
    if (counts != nullptr && counts->not_finite() > 0) input.numbers = {static_cast<float>(counts->not_finite())};
    if (input.measured) input.numbers.assign(input.measured->values().begin(), input.measured->values().end());
    if (input.port == "in" && input.frame_offset == 0) main = input.kind;
    link.inputs.push_back(std::move(input));
    link.sources.push_back(std::move(given.source));
  }
  if (main == KIND_UNSPECIFIED && link.info->traits.takes_size() > 0) {
    return Annotated(index, absl::InternalError("its main input is missing"));
  }
  // So that operators may rely on what their parameters name.
  for (const Port& port : PortsOf(*link.params)) {
    if (!port.traits.required() && port.name.empty() && port.box == nullptr) continue;
    // Its motion is there where there are frames around this one.
    if (port.traits.motion()) continue;
    // What is carried is read whole, a measured box by its values.
    const bool carried = TakenAs(port.traits.input(), BLOB) == BLOB;
    const bool there = std::any_of(link.inputs.begin(), link.inputs.end(), [&](const Input& input) {
      return input.port == port.path && (input.kind == BLOB) == (port.box != nullptr || carried) &&
             (!carried || input.measured);
    });
    if (!there) return Annotated(index, absl::InternalError(absl::StrCat("its input \"", port.path, "\" is missing")));
  }
  link.kind = KindAfter(step, main);
  link.window = link.op->OutputWindow(context_, *link.params, Inputs(link.inputs));
  if (link.kind != BLOB && link.window.empty()) {
    return Annotated(index, absl::InvalidArgumentError("its result has no pixels"));
  }
  links_.push_back(std::move(link));
  return absl::OkStatus();
}

absl::Status Chain::Annotated(int index, const absl::Status& status) const {
  const Operator* info = OperatorOf(steps_[index]);
  // A source that the planner made is no step of a pass.
  if (info != nullptr && info->traits.internal() && info->traits.takes_size() == 0) return status;
  return Annotate("step ", first_step_ + index + 1, " (", info == nullptr ? "?" : info->name, ")")(status);
}

int Chain::Reach() const {
  constexpr int kSide = 256;
  Rect rect{0, 0, kSide, kSide};
  int reach = 0;
  for (auto link = links_.rbegin(); link != links_.rend(); ++link) {
    Rect main = rect;
    for (const Input& input : link->inputs) {
      if (input.kind == BLOB) continue;
      const Rect need = link->op->Needs(context_, *link->params, rect, input);
      reach = std::max({reach, -need.x0, -need.y0, need.x1 - kSide, need.y1 - kSide});
      if (input.port == "in") main = need;
    }
    rect = main;
  }
  return reach;
}

void Chain::CollectReads(int index, const Rect& rect, std::vector<std::pair<Source*, Rect>>* reads) const {
  const Link& link = links_[index];
  for (size_t i = 0; i < link.inputs.size(); ++i) {
    const Input& input = link.inputs[i];
    if (input.kind == BLOB) continue;
    const Rect need = link.op->Needs(context_, *link.params, rect, input);
    if (need.empty()) continue;
    const Rect inside = PartInside(need, input.window, link.op->Edge(*link.params, input.port));
    if (inside.empty()) continue;
    if (link.sources[i]) {
      reads->emplace_back(link.sources[i].get(), inside);
    } else {
      CollectReads(index - 1, inside, reads);
    }
  }
}

void Chain::DescribeShape(std::string* out) const {
  AppendRect(window_, out);
  if (links_.empty()) AppendInt(source_->kind(), out);
  for (const Link& link : links_) {
    AppendRect(link.window, out);
    AppendInt(static_cast<int>(link.inputs.size()), out);
    for (const Input& input : link.inputs) {
      AppendInt(input.kind, out);
      AppendRect(input.window, out);
      AppendInt(static_cast<int>(input.numbers.size()), out);
      for (float v : input.numbers) AppendInt(std::bit_cast<int32_t>(v), out);
      if (input.measured) AppendOutline(input.measured->outline(), out);
    }
  }
}

absl::Status Chain::Describe(const Rect& rect, std::string* out) const {
  AppendRect(rect, out);
  if (links_.empty()) return source_->Describe(rect, out);
  return DescribeLast(rect, out);
}

absl::Status Chain::DescribeBlob(std::string* out) const {
  if (links_.empty() || kind_ != BLOB) return absl::InternalError("makes a picture, no bytes");
  return DescribeLast(links_.back().window, out);
}

bool Chain::ReadsOnlyPictures() const {
  return std::all_of(links_.begin(), links_.end(), [](const Link& link) {
    return std::all_of(link.inputs.begin(), link.inputs.end(), [](const Input& input) { return !input.measured; });
  });
}

absl::Status Chain::DescribeLast(const Rect& rect, std::string* out) const {
  std::vector<std::pair<Source*, Rect>> reads;
  CollectReads(static_cast<int>(links_.size()) - 1, rect, &reads);
  // The order of the reads follows from the steps and the shape.
  for (const auto& [source, inside] : reads) {
    AppendRect(inside, out);
    RETURN_IF_ERROR(source->Describe(inside, out));
  }
  return absl::OkStatus();
}

absl::Status Chain::Prefetch(const std::vector<Rect>& rects) {
  if (links_.empty()) return source_->Prefetch(rects);
  std::vector<std::pair<Source*, Rect>> reads;
  for (const Rect& rect : rects) CollectReads(static_cast<int>(links_.size()) - 1, rect, &reads);
  // One call a source, since a call says all that will be read of it. Sources
  // that aren't read now are told so too: they let go of what they held.
  std::map<Source*, std::vector<Rect>> by_source;
  for (const Link& link : links_) {
    for (const auto& source : link.sources) {
      if (source) by_source[source.get()];
    }
  }
  for (const auto& [source, inside] : reads) by_source[source].push_back(inside);
  for (const auto& [source, inside] : by_source) RETURN_IF_ERROR(source->Prefetch(inside));
  return absl::OkStatus();
}

absl::Status Chain::Render(const Rect& rect, Picture* out) const {
  if (rect.empty()) {
    Allocate(kind_, rect, out);
    return absl::OkStatus();
  }
  return Evaluate(static_cast<int>(links_.size()) - 1, rect, Beyond::kRepeat, out);
}

absl::Status Chain::Evaluate(int index, const Rect& rect, Beyond beyond, Picture* out) const {
  if (index < 0) {
    const SpanScope scope(spans_, kGather);
    return ReadExtended(*source_, rect, beyond, out);
  }
  const Link& link = links_[index];
  const Rect inside = PartInside(rect, link.window, beyond);
  if (inside.empty()) {
    out->kind = link.kind;
    out->planes.assign(ChannelCount(link.kind), Plane::Filled(rect, 0));
    return absl::OkStatus();
  }
  RETURN_IF_ERROR(RenderLink(index, inside, out));
  for (Plane& plane : out->planes) plane = Extend(plane, rect, beyond);
  return absl::OkStatus();
}

absl::StatusOr<Inputs> Chain::Gather(int index, const Rect& rect) const {
  const Link& link = links_[index];
  const SpanScope scope(spans_, kGather);
  Inputs inputs(link.inputs);
  for (size_t i = 0; i < inputs.all().size(); ++i) {
    Input& input = inputs.all()[i];
    if (input.kind == BLOB) continue;
    const Rect need = link.op->Needs(context_, *link.params, rect, input);
    input.picture.kind = input.kind;
    if (need.empty()) {
      input.picture.planes.assign(ChannelCount(input.kind), Plane(need));
      continue;
    }
    const Beyond edge = link.op->Edge(*link.params, input.port);
    if (link.sources[i]) {
      RETURN_IF_ERROR(ReadExtended(*link.sources[i], need, edge, &input.picture));
    } else {
      RETURN_IF_ERROR(Evaluate(index - 1, need, edge, &input.picture));
    }
  }
  return inputs;
}

absl::Status Chain::RenderLink(int index, const Rect& rect, Picture* out) const {
  const Link& link = links_[index];
  if (context_.stopped()) return absl::CancelledError("cancelled: no job needs this");
  ASSIGN_OR_RETURN(const Inputs inputs, Gather(index, rect));
  const SpanScope scope(spans_, link.info->name);
  const Rect pixel{rect.x0, rect.y0, rect.x0 + 1, rect.y0 + 1};
  if (!link.info->heavy() && rect.area() > 1 && AllConstant(inputs) && !link.op->PlaceMatters(*link.params)) {
    const Inputs small =
        OfOnePixel(inputs, [&](const Input& input) { return link.op->Needs(context_, *link.params, pixel, input); });
    Allocate(link.kind, pixel, out);
    RETURN_IF_ERROR(link.op->Render(context_, *link.params, small, out),
                    [&](const absl::Status& s) { return Annotated(index, s); });
    for (Plane& plane : out->planes) plane = Plane::Filled(rect, plane.at(pixel.x0, pixel.y0));
    return absl::OkStatus();
  }
  Allocate(link.kind, rect, out);
  RETURN_IF_ERROR(link.op->Render(context_, *link.params, inputs, out),
                  [&](const absl::Status& s) { return Annotated(index, s); });
  for (const Plane& plane : out->planes) {
    if (plane.rect() != rect) return Annotated(index, absl::InternalError("made another rectangle than asked for"));
  }
  return absl::OkStatus();
}

absl::StatusOr<std::string> Chain::RenderBlob() {
  const int last = static_cast<int>(links_.size()) - 1;
  if (last < 0 || kind_ != BLOB) return absl::InternalError("makes a picture, no bytes");
  const Link& link = links_[last];
  RETURN_IF_ERROR(Prefetch({link.window}));
  ASSIGN_OR_RETURN(const Inputs inputs, Gather(last, link.window));
  SpanScope scope(spans_, link.info->name);
  auto bytes = link.op->RenderBlob(context_, *link.params, inputs);
  if (bytes.ok()) scope.AddBytes(bytes->size());
  if (!bytes.ok()) return Annotated(last, bytes.status());
  return bytes;
}

}  // namespace selvage::worker
