#include "server/plan/mask_resolver.h"

#include <cmath>
#include <numbers>

#include "server/plan/canonical.h"
#include "server/plan/key_frames.h"

namespace selvage::plan {
namespace {

// Scaled, turned and shifted: x' = a x - b y + dx, y' = b x + a y + dy.
struct Placement {
  double a = 1, b = 0, dx = 0, dy = 0;
};

Placement TrackAt(const Mask::Track& track, double frame) {
  const double scale = NumberAt(track.scale(), frame, 1);
  // Whole turns are none, to the last bit.
  const double angle = std::remainder(NumberAt(track.rotate(), frame, 0), 360) * (std::numbers::pi / 180);
  Placement t{scale * std::cos(angle), scale * std::sin(angle), 0, 0};
  t.dx = NumberAt(track.x(), frame, 0) + (track.pivot_x() - (t.a * track.pivot_x() - t.b * track.pivot_y()));
  t.dy = NumberAt(track.y(), frame, 0) + (track.pivot_y() - (t.b * track.pivot_x() + t.a * track.pivot_y()));
  return t;
}

// Points on the way from one path to another of as many points, placed.
void AppendPath(const SvgPath& from, const SvgPath& to, double u, const Placement& t, ResolvedMask::Shape* shape) {
  for (size_t s = 0; s < from.sub_paths.size(); ++s) {
    const std::vector<double>&a = from.sub_paths[s].xy, &b = to.sub_paths[s].xy;
    auto* xy = shape->add_path()->mutable_xy();
    xy->Reserve(static_cast<int>(a.size()));
    for (size_t i = 0; i + 1 < a.size(); i += 2) {
      const double x = MixPoint(a[i], b[i], u), y = MixPoint(a[i + 1], b[i + 1], u);
      xy->AddAlreadyReserved(t.a * x - t.b * y + t.dx + 0.0);
      xy->AddAlreadyReserved(t.b * x + t.a * y + t.dy + 0.0);
    }
  }
}

// Instants of an open shutter: powers of two, so that their mean is exact where
// all agree.
constexpr int kFewestInstants = 8, kMostInstants = 64;

// The furthest that a point moves from one instant to the next, squared.
double FurthestStep(const ResolvedMask& mask, int instants) {
  const int shapes = mask.shape_size() / instants;
  double furthest = 0;
  for (int i = shapes; i < mask.shape_size(); ++i) {
    const ResolvedMask::Shape &before = mask.shape(i - shapes), &now = mask.shape(i);
    for (int p = 0; p < now.path_size(); ++p) {
      const auto &xy = now.path(p).xy(), &was = before.path(p).xy();
      for (int k = 0; k + 1 < xy.size(); k += 2) {
        const double dx = xy[k] - was[k], dy = xy[k + 1] - was[k + 1];
        furthest = std::max(furthest, dx * dx + dy * dy);
      }
    }
  }
  return furthest;
}

bool AllInstantsAreEqual(const ResolvedMask& mask, int instants) {
  if (FurthestStep(mask, instants) > 0) return false;
  const int shapes = mask.shape_size() / instants;
  for (int i = shapes; i < mask.shape_size(); ++i) {
    const ResolvedMask::Shape &first = mask.shape(i % shapes), &now = mask.shape(i);
    if (now.feather() != first.feather() || now.opacity() != first.opacity()) return false;
  }
  return true;
}

SvgPath Parsed(const std::string& text) {
  auto path = ParseSvgPath(text);
  return path.ok() ? *std::move(path) : SvgPath{};
}

Digest DigestOf(const ResolvedMask& mask) {
  CanonicalWriter w("selvage mask");
  // It cannot fail after validation; if it did, no two recipes may be equal.
  if (!w.Message(mask).ok()) w.Bytes(mask.SerializeAsString());
  return w.Sha();
}

bool Moves(const Mask& mask) {
  for (const Mask::Shape& shape : mask.shape()) {
    if (shape.at_size() > 0 || shape.feather().at_size() > 0 || shape.opacity().at_size() > 0) return true;
  }
  return HasKeyFrames(mask.track());
}

double OpenTime(const Mask& mask) { return mask.shutter().degrees() / 360; }

}  // namespace

MaskSize SizeOf(const Mask& mask) {
  MaskSize size;
  size.animated = Moves(mask);
  if (size.animated && OpenTime(mask) != 0) size.instants = kMostInstants;
  for (const Mask::Shape& shape : mask.shape()) {
    // All key frames have as many points as the first.
    const SvgPath path = Parsed(shape.at_size() > 0 ? shape.at(0).path() : shape.path());
    for (const SubPath& sub : path.sub_paths) size.numbers += static_cast<int64_t>(sub.xy.size());
  }
  size.numbers *= size.instants;
  return size;
}

MaskResolver::MaskResolver(Mask mask) : mask_(std::move(mask)) {
  for (Mask::Shape& shape : *mask_.mutable_shape()) {
    auto& paths = paths_.emplace_back();
    if (shape.has_path()) {
      paths.push_back(Parsed(shape.path()));
      std::string().swap(*shape.mutable_path());
    }
    for (auto& at : *shape.mutable_at()) {
      paths.push_back(Parsed(at.path()));
      std::string().swap(*at.mutable_path());
    }
  }
  if (Moves(mask_)) return;
  resolved_ = At(0);
  digest_ = DigestOf(*resolved_);
}

void MaskResolver::AddShapes(double frame, ResolvedMask* out) const {
  const Placement track = TrackAt(mask_.track(), frame);
  for (int i = 0; i < mask_.shape_size(); ++i) {
    const Mask::Shape& shape = mask_.shape(i);
    const std::vector<SvgPath>& paths = paths_[i];
    ResolvedMask::Shape* to = out->add_shape();
    if (!paths.empty()) {
      const Between p = shape.has_path() ? Between{} : FindBetween(shape.at(), shape.ease(), frame);
      AppendPath(paths[p.before], paths[p.after], p.u, track, to);
    }
    to->set_feather(NumberAt(shape.feather(), frame, 0));
    to->set_opacity(NumberAt(shape.opacity(), frame, 1));
    to->set_subtract(shape.subtract());
    to->set_rule(shape.rule());
  }
}

ResolvedMask MaskResolver::Resolve(int32_t frame) const {
  const double open = OpenTime(mask_);
  const double opens = frame + (mask_.shutter().has_opens() ? mask_.shutter().opens() / 360 : -open / 2);
  ResolvedMask out;
  if (open == 0 || !Moves(mask_)) {
    AddShapes(frame, &out);
  } else {
    int instants = kFewestInstants;
    const auto draw = [&] {
      out.Clear();
      for (int i = 0; i < instants; ++i) AddShapes(opens + open * (i + 0.5) / instants, &out);
    };
    draw();
    while (instants < kMostInstants && FurthestStep(out, instants) > 1) {
      instants *= 2;
      draw();
    }
    if (AllInstantsAreEqual(out, instants)) {
      // At rest: the same result as without a shutter.
      out.mutable_shape()->DeleteSubrange(mask_.shape_size(), out.shape_size() - mask_.shape_size());
    } else {
      out.set_instants(static_cast<uint32_t>(instants));
    }
  }
  out.set_invert(mask_.invert());
  return out;
}

std::shared_ptr<const ResolvedMask> MaskResolver::At(int32_t frame) const {
  if (resolved_ != nullptr) return resolved_;
  return std::make_shared<const ResolvedMask>(Resolve(frame));
}

Digest MaskResolver::DigestAt(int32_t frame) const { return resolved_ != nullptr ? digest_ : DigestOf(Resolve(frame)); }

}  // namespace selvage::plan
