#include "tests/testing/op_tester.h"

#include <algorithm>
#include <cmath>
#include <cstring>
#include <limits>
#include <map>

#include "absl/strings/str_cat.h"
#include "google/protobuf/text_format.h"
#include "proto/catalogue.h"
#include "tests/testing/simd_targets.h"
#include "worker/kernels/motion/motion_pair.h"
#include "worker/kernels/motion/plate_rows.h"
#include "worker/kernels/pixels/half.h"

namespace selvage::worker {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::Message;

void FillDefaults(Message* m) {
  const google::protobuf::Reflection* r = m->GetReflection();
  for (int i = 0; i < m->GetDescriptor()->field_count(); ++i) {
    const FieldDescriptor* f = m->GetDescriptor()->field(i);
    const ParamTraits& traits = TraitsOf(f);
    if (f->is_repeated()) {
      for (int k = 0; f->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE && k < r->FieldSize(*m, f); ++k) {
        FillDefaults(r->MutableRepeatedMessage(m, f, k));
      }
    } else if (f->message_type() == Number::descriptor()) {
      // A member of a oneof is a choice, not a default.
      if (!r->HasField(*m, f) && (f->containing_oneof() || !traits.has_default_value())) continue;
      auto* number = static_cast<Number*>(r->MutableMessage(m, f));
      if (!number->has_value()) number->set_value(traits.default_value());
    } else if (f->message_type() == Color::descriptor()) {
      if (!r->HasField(*m, f) && (f->containing_oneof() || !traits.has_default_value())) continue;
      auto* color = static_cast<Color*>(r->MutableMessage(m, f));
      if (!color->has_r()) color->set_r(traits.default_value());
      if (!color->has_g()) color->set_g(traits.default_value());
      if (!color->has_b()) color->set_b(traits.default_value());
    } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE) {
      if (r->HasField(*m, f)) FillDefaults(r->MutableMessage(m, f));
    } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_UINT32 && f->has_presence() && traits.has_default_value() &&
               !r->HasField(*m, f)) {
      r->SetUInt32(m, f, static_cast<uint32_t>(traits.default_value()));
    }
  }
}

// A number from a place and a seed, 0..1, the same on every machine.
float Random(int x, int y, uint32_t seed) {
  uint32_t h = seed * 0x9E3779B9u ^ static_cast<uint32_t>(x) * 0x85EBCA6Bu ^ static_cast<uint32_t>(y) * 0xC2B2AE35u;
  h ^= h >> 15;
  h *= 0x2C1B3C6Du;
  h ^= h >> 12;
  h *= 0x297A2D39u;
  h ^= h >> 15;
  return static_cast<float>(h >> 8) / (1 << 24);
}

float MatteAt(int x, int y, uint32_t seed) {
  const float radius = std::sqrt(static_cast<float>((x - 60) * (x - 60) + (y - 50) * (y - 50)));
  float a = (40.0f + 3.0f * static_cast<float>(seed % 5) - radius) / 12.0f;
  if (x > 110 && x < 118) a = 0.5f + 0.5f * (Random(x, y, seed) - 0.5f);
  return std::clamp(a, 0.0f, 1.0f);
}

class WholePicture : public Source {
 public:
  WholePicture(Picture picture, const Rect& window) : picture_(std::move(picture)), window_(window) {}
  Kind kind() const override { return picture_.kind; }
  Rect window() const override { return window_; }
  absl::Status Describe(const Rect& rect, std::string* out) override {
    for (const Plane& plane : Crop(picture_, rect).planes) {
      for (int y = rect.y0; y < rect.y1; ++y) {
        out->append(reinterpret_cast<const char*>(plane.row(y)), rect.width() * sizeof(float));
      }
    }
    return absl::OkStatus();
  }
  absl::Status Read(const Rect& rect, Picture* out) override {
    EXPECT_TRUE(window_.Contains(rect)) << "read outside the window";
    // Shared where it can be, so that benchmarks of whole pictures copy nothing.
    *out = rect == picture_.rect() ? picture_ : Crop(picture_, rect);
    return absl::OkStatus();
  }

 private:
  Picture picture_;
  Rect window_;
};

bool SameBits(float a, float b) {
  return std::bit_cast<uint32_t>(a) == std::bit_cast<uint32_t>(b) || (std::isnan(a) && std::isnan(b));
}

}  // namespace

Step MakeStep(const std::string& text) {
  Step step;
  EXPECT_TRUE(google::protobuf::TextFormat::ParseFromString(text, &step)) << text;
  if (OperatorOf(step) != nullptr) FillDefaults(MutableParamsOf(&step));
  return step;
}

Picture MakePicture(Kind kind, const Rect& rect, uint32_t seed) {
  Picture picture;
  picture.kind = kind;
  for (int c = 0; c < ChannelCount(kind); ++c) {
    Plane plane(rect);
    for (int y = rect.y0; y < rect.y1; ++y) {
      for (int x = rect.x0; x < rect.x1; ++x) {
        const float alpha = MatteAt(x, y, seed);
        if (kind == MATTE || c == 3) {
          plane.at(x, y) = kind == OPAQUE ? 1.0f : alpha;
          continue;
        }
        // Green screen behind, warm grey in front, grain over both.
        const float screen[] = {0.05f, 0.45f, 0.1f}, front[] = {0.5f, 0.4f, 0.3f};
        const float light = 0.5f + 0.5f * static_cast<float>((x + 2 * y) & 127) / 128.0f;
        float v = light * (front[c] * alpha + screen[c] * (1 - alpha));
        v += 0.03f * (Random(x, y, seed * 4 + c) - 0.5f);
        plane.at(x, y) = kind == PREMULTIPLIED ? v * alpha : v;
      }
    }
    if (kind == OPAQUE && c == 3) plane.constant = 1.0f;
    // What tasks read is at storage precision.
    for (int y = rect.y0; y < rect.y1; ++y) RoundToHalf(plane.row(y), rect.width());
    picture.planes.push_back(std::move(plane));
  }
  return picture;
}

Picture MakeConstant(Kind kind, const Rect& rect, float value) {
  Picture picture;
  picture.kind = kind;
  for (int c = 0; c < ChannelCount(kind); ++c) {
    // Unequal channels, and an alpha that belongs to the kind.
    const float v = c == 3 && kind == OPAQUE ? 1.0f : c == 3 ? value : value * (1.0f + 0.25f * static_cast<float>(c));
    picture.planes.push_back(Plane::Filled(rect, v));
  }
  return picture;
}

Picture MakeBadPicture(Kind kind, const Rect& rect, uint32_t seed) {
  Picture picture = MakePicture(kind, rect, seed);
  using Limits = std::numeric_limits<float>;
  const float bad[] = {Limits::quiet_NaN(),
                       Limits::infinity(),
                       -Limits::infinity(),
                       Limits::denorm_min(),
                       3e38f,
                       -3e38f,
                       -0.0f,
                       -1.5f,
                       65504.0f,
                       1e-30f};
  for (size_t c = 0; c < picture.planes.size(); ++c) {
    if (picture.planes[c].constant) continue;
    for (int y = rect.y0; y < rect.y1; ++y) {
      for (int x = rect.x0; x < rect.x1; ++x) {
        const float r = Random(x, y, seed + 77 + static_cast<uint32_t>(c));
        if (r < 0.05f) picture.planes[c].at(x, y) = bad[static_cast<int>(r * 200) % 10];
      }
    }
  }
  return picture;
}

std::shared_ptr<Source> MakeSource(Picture picture, const Rect& window) {
  return std::make_shared<WholePicture>(std::move(picture), window);
}

Picture Crop(const Picture& picture, const Rect& rect) {
  Picture out;
  out.kind = picture.kind;
  for (const Plane& from : picture.planes) {
    Plane plane(rect);
    for (int y = rect.y0; y < rect.y1; ++y) {
      std::memcpy(plane.row(y), from.row(y) + (rect.x0 - from.rect().x0), sizeof(float) * rect.width());
    }
    plane.constant = from.constant;
    out.planes.push_back(std::move(plane));
  }
  return out;
}

::testing::AssertionResult SameBits(const Picture& a, const Picture& b) {
  if (a.kind != b.kind || a.planes.size() != b.planes.size()) {
    return ::testing::AssertionFailure() << "kinds differ: " << KindName(a.kind) << ", " << KindName(b.kind);
  }
  for (size_t c = 0; c < a.planes.size(); ++c) {
    const Rect& r = a.planes[c].rect();
    if (r != b.planes[c].rect()) return ::testing::AssertionFailure() << "rectangles of channel " << c << " differ";
    for (int y = r.y0; y < r.y1; ++y) {
      for (int x = r.x0; x < r.x1; ++x) {
        if (SameBits(a.planes[c].at(x, y), b.planes[c].at(x, y))) continue;
        return ::testing::AssertionFailure()
               << "channel " << c << " at (" << x << ", " << y << "): " << a.planes[c].at(x, y) << " and "
               << b.planes[c].at(x, y) << ", difference " << a.planes[c].at(x, y) - b.planes[c].at(x, y);
      }
    }
  }
  return ::testing::AssertionSuccess();
}

OpTester::OpTester(const std::string& step_text) : step_(MakeStep(step_text)) {
  const Operator* info = OperatorOf(step_);
  EXPECT_NE(info, nullptr) << step_text;
  if (info != nullptr && info->traits.takes_size() > 0) main_kind_ = info->traits.takes(0);
}

OpTester& OpTester::Main(Kind kind) {
  main_kind_ = kind;
  kind_given_ = true;
  return *this;
}
OpTester& OpTester::Main(Picture picture, int frame_offset) {
  if (frame_offset == 0) {
    Main(picture.kind);
    window_ = picture.rect();
  }
  given_.push_back({"in", frame_offset, std::move(picture), {}});
  return *this;
}
OpTester& OpTester::With(const std::string& port, Picture picture, int frame_offset) {
  given_.push_back({port, frame_offset, std::move(picture), {}});
  return *this;
}
OpTester& OpTester::WithNumbers(const std::string& port, std::vector<float> numbers) {
  given_.push_back({port, 0, {}, std::move(numbers)});
  return *this;
}
OpTester& OpTester::WithMeasured(const std::string& port, Measurement measured) {
  given_.push_back({port, 0, {}, {}, std::make_shared<const Measurement>(std::move(measured))});
  return *this;
}
OpTester& OpTester::Window(const Rect& window) {
  window_ = window;
  return *this;
}

Picture OpTester::InputPicture(Kind kind, uint32_t seed, Inputs inputs) const {
  switch (inputs) {
    case Inputs::kBad:
      return MakeBadPicture(kind, window_, seed);
    case Inputs::kConstant:
      return MakeConstant(kind, window_, 0.1f * static_cast<float>(seed) + 0.25f);
    case Inputs::kConstantUnsaid: {
      Picture picture = InputPicture(kind, seed, Inputs::kConstant);
      for (Plane& plane : picture.planes) plane.constant.reset();
      return picture;
    }
    default:
      return MakePicture(kind, window_, seed);
  }
}

namespace {

// As the planner has it made: the motion between the pictures of a port.
void AddMotion(const std::string& port, std::vector<ChainInput>* all) {
  std::map<int, Picture> pictures;
  for (const ChainInput& input : *all) {
    if (input.port != port || !input.source || input.source->window().empty()) continue;
    EXPECT_TRUE(input.source->Read(input.source->window(), &pictures[input.frame_offset]).ok());
  }
  const auto here = pictures.find(0);
  for (const auto& [offset, there] : pictures) {
    if (offset == 0 || here == pictures.end()) continue;
    const Picture &earlier = offset < 0 ? there : here->second, &later = offset < 0 ? here->second : there;
    const auto luma = [&](const Picture& picture) { return LumaOf(picture, earlier.rect(), kCameraCurves); };
    auto measured = std::make_shared<Measurement>();
    measured->set_motion(EncodeMotion(EstimateBothWays(luma(earlier), luma(later))));
    all->push_back({0, absl::StrCat(port, ".motion", offset > 0 ? "+" : "", offset), 0, nullptr, {}, measured});
  }
}

}  // namespace

absl::StatusOr<std::unique_ptr<Chain>> OpTester::MakeChain(Inputs inputs) const {
  std::vector<ChainInput> all;
  auto given = [&](const std::string& port) {
    return std::any_of(given_.begin(), given_.end(), [&](const Given& g) { return g.port == port; });
  };
  // Neighbouring frames differ by their grain.
  auto make_up = [&](const std::string& port, Kind kind, uint32_t seed, int window) {
    for (int offset = -window; offset <= window; ++offset) {
      const bool constant = inputs == Inputs::kConstant || inputs == Inputs::kConstantUnsaid;
      const uint32_t own_seed = offset == 0 || constant ? seed : seed + 5 * static_cast<uint32_t>(10 + offset);
      all.push_back({0, port, offset, MakeSource(InputPicture(kind, own_seed, inputs), window_), {}});
    }
  };
  const int window = WindowOf(ParamsOf(step_));
  if (main_kind_ != KIND_UNSPECIFIED && (!given("in") || inputs != Inputs::kUsual)) {
    make_up("in", main_kind_, 1, window);
  }
  uint32_t seed = 2;
  for (const Port& port : PortsOf(ParamsOf(step_))) {
    if (port.box == nullptr && port.name.empty()) continue;
    const bool blob = port.box != nullptr || TakenAs(port.traits.input(), BLOB) == BLOB;
    if ((blob && given(port.path)) || (given(port.path) && inputs == Inputs::kUsual)) continue;
    if (port.box != nullptr) {
      all.push_back({0, port.path, 0, nullptr, {0.05f, 0.45f, 0.1f, 1.0f}});
      continue;
    }
    // Of the same kind as the main input where that is possible.
    Kind kind = static_cast<Kind>(port.traits.input(0));
    for (int k : port.traits.input()) {
      if (k == main_kind_) kind = main_kind_;
    }
    make_up(port.path, kind, seed++, port.traits.windowed() || port.traits.motion() ? window : 0);
  }
  for (const Given& g : given_) {
    if (!g.picture.planes.empty() && inputs != Inputs::kUsual) continue;
    all.push_back({0, g.port, g.frame_offset,
                   g.picture.planes.empty() ? nullptr : MakeSource(g.picture, g.picture.rect()), g.numbers,
                   g.measured});
  }
  if (OperatorOf(step_)->traits.motion()) AddMotion("in", &all);
  for (const Port& port : PortsOf(ParamsOf(step_))) {
    if (port.traits.motion()) AddMotion(port.path, &all);
  }
  OpContext context;
  context.format = window_;
  context.frame = 1001;
  context.warning = [to = warnings_](const std::string& sentence) { to->push_back(sentence); };
  return Chain::Make(context, {step_}, std::move(all), 0);
}

absl::StatusOr<Picture> OpTester::TryRender() const {
  auto chain = MakeChain(Inputs::kUsual);
  if (!chain.ok()) return chain.status();
  Picture out;
  const absl::Status status = (*chain)->Render((*chain)->window(), &out);
  if (!status.ok()) return status;
  return out;
}

Picture OpTester::Render() const { return RenderWhole(Inputs::kUsual); }

absl::StatusOr<std::string> OpTester::RenderBlob() const {
  auto chain = MakeChain(Inputs::kUsual);
  if (!chain.ok()) return chain.status();
  return (*chain)->RenderBlob();
}

Picture OpTester::RenderWhole(Inputs inputs) const {
  auto chain = MakeChain(inputs);
  Picture out;
  if (!chain.ok()) {
    ADD_FAILURE() << chain.status();
    return out;
  }
  const absl::Status status = (*chain)->Render((*chain)->window(), &out);
  EXPECT_TRUE(status.ok()) << status;
  EXPECT_EQ(out.kind, (*chain)->kind());
  EXPECT_EQ(out.planes.size(), static_cast<size_t>(ChannelCount((*chain)->kind())));
  return out;
}

std::vector<OpTester> OpTester::EveryKind() const {
  std::vector<OpTester> all;
  const Operator* info = OperatorOf(step_);
  if (kind_given_ || info->traits.takes_size() == 0) return {*this};
  for (int kind : info->traits.takes()) {
    all.push_back(*this);
    all.back().Main(static_cast<Kind>(kind));
  }
  return all;
}

void OpTester::CheckLaws() const {
  for (const OpTester& tester : EveryKind()) {
    SCOPED_TRACE(absl::StrCat(step_.ShortDebugString(), " on ", KindName(tester.main_kind_)));
    tester.CheckTilesAreTheWhole();
    tester.CheckEveryTargetGivesTheSameBits();
    tester.CheckConstantStaysConstant();
    tester.CheckBadSamples();
    tester.CheckEmptyRegion();
  }
}

void OpTester::CheckTilesAreTheWhole() const {
  if (OperatorOf(step_)->heavy()) return;
  for (Inputs inputs : {Inputs::kUsual, Inputs::kBad}) {
    const Picture whole = RenderWhole(inputs);
    auto chain = MakeChain(inputs);
    ASSERT_TRUE(chain.ok());
    const Rect& window = (*chain)->window();
    struct Grid {
      int origin_x, origin_y, width, height;
    };
    for (const Grid& g : {Grid{0, 0, 64, 64}, Grid{-5, 1, 33, 17}, Grid{3, 2, 200, 1}, Grid{1, 0, 1, 200}}) {
      for (int y = g.origin_y - 4 * g.height; y < window.y1; y += g.height) {
        for (int x = g.origin_x - 4 * g.width; x < window.x1; x += g.width) {
          const Rect tile = Rect{x, y, x + g.width, y + g.height}.Intersect(window);
          if (tile.empty()) continue;
          Picture part;
          const absl::Status status = (*chain)->Render(tile, &part);
          ASSERT_TRUE(status.ok()) << status;
          ASSERT_TRUE(SameBits(part, Crop(whole, tile))) << "tiles of " << g.width << " x " << g.height;
        }
      }
    }
  }
}

void OpTester::CheckEveryTargetGivesTheSameBits() const {
  const Picture first = RenderWhole(Inputs::kUsual);
  ForEverySimdTarget([&] { ASSERT_TRUE(SameBits(RenderWhole(Inputs::kUsual), first)); });
}

void OpTester::CheckConstantStaysConstant() const {
  if (main_kind_ == KIND_UNSPECIFIED) return;
  const Picture said = RenderWhole(Inputs::kConstant);
  EXPECT_TRUE(SameBits(said, RenderWhole(Inputs::kConstantUnsaid))) << "constant inputs, said and unsaid";
  if (FindOp(OperatorOf(step_)->name)->PlaceMatters(ParamsOf(step_))) return;
  for (const Plane& plane : said.planes) {
    const Rect& r = plane.rect();
    for (int y = r.y0; y < r.y1; ++y) {
      for (int x = r.x0; x < r.x1; ++x) ASSERT_TRUE(SameBits(plane.at(x, y), plane.at(r.x0, r.y0))) << x << ", " << y;
    }
  }
}

void OpTester::CheckBadSamples() const {
  const Picture first = RenderWhole(Inputs::kBad);
  ForEverySimdTarget([&] { ASSERT_TRUE(SameBits(RenderWhole(Inputs::kBad), first)); });
  std::vector<uint16_t> stored(first.rect().width());
  std::vector<float> back(stored.size());
  for (const Plane& plane : first.planes) {
    for (int y = plane.rect().y0; y < plane.rect().y1; ++y) {
      FloatToStored(plane.row(y), stored.data(), stored.size());
      HalfToFloat(stored.data(), back.data(), back.size());
      for (float v : back) ASSERT_TRUE(std::isfinite(v));
    }
  }
}

void OpTester::CheckEmptyRegion() const {
  auto chain = MakeChain(Inputs::kUsual);
  ASSERT_TRUE(chain.ok()) << chain.status();
  for (const Rect& empty : {Rect{0, 0, 0, 0}, Rect{5, 5, 5, 9}, Rect{9, 9, 5, 5}}) {
    Picture out;
    EXPECT_TRUE((*chain)->Render(empty, &out).ok());
    EXPECT_EQ(out.planes.size(), static_cast<size_t>(ChannelCount((*chain)->kind())));
    for (const Plane& plane : out.planes) EXPECT_TRUE(plane.rect().empty());
  }
}

void OpTester::CheckIdentity() const {
  for (const OpTester& tester : EveryKind()) {
    Picture in = tester.InputPicture(tester.main_kind_, 1, Inputs::kUsual);
    for (const Given& g : tester.given_) {
      if (g.port == "in" && g.frame_offset == 0) in = g.picture;
    }
    const Picture out = tester.RenderWhole(Inputs::kUsual);
    in.kind = out.kind;
    EXPECT_TRUE(SameBits(out, in)) << step_.ShortDebugString();
  }
}

}  // namespace selvage::worker
