#include "tests/scene/solids.h"

namespace selvage::scene {
namespace {

constexpr int kTile = 16;
// Depth range (along the view) that holds every solid, metres.
constexpr float kNearest = 0.9f, kFarthest = -0.55f;

float BoxDistance(V3 q, float round) {
  V3 out = {std::max(q.x, 0.0f), std::max(q.y, 0.0f), std::max(q.z, 0.0f)};
  return Length(out) + std::min(std::max({q.x, q.y, q.z}), 0.0f) - round;
}

// Radius of a ball around a solid's middle that holds it.
float ReachOf(const Solid& s) {
  switch (s.form) {
    case Solid::kLimb:
    case Solid::kCan:
      return 0.5f * Length(s.b - s.a) + 1.05f * std::max(s.ra, s.rb) + s.round;
    case Solid::kEllipsoid:
      return std::max({s.b.x, s.b.y, s.b.z});
    case Solid::kBox:
      return Length(s.b) + s.round;
  }
  return 0;
}

V3 MiddleOf(const Solid& s) { return s.form == Solid::kLimb || s.form == Solid::kCan ? (s.a + s.b) * 0.5f : s.a; }

struct Hit {
  float depth = -9;
  Stuff stuff = Stuff::kNothing;
};

// One tile's solids and the ray caster over them.
class Caster {
 public:
  Caster(std::vector<Solid> active, const Folds& folds) : solids_(std::move(active)), folds_(folds) {
    nearest_ = kFarthest;
    farthest_ = kNearest;
    for (const Solid& s : solids_) {
      float depth = Camera::Project(s.middle).z, reach = s.reach + kFoldLimit + s.blend;
      nearest_ = std::max(nearest_, depth + reach);
      farthest_ = std::min(farthest_, depth - reach);
    }
    nearest_ = std::min(nearest_, kNearest);
  }

  bool empty() const { return solids_.empty(); }

  Near At(V3 p) const {
    Near near = Nearest(solids_, p);
    if (near.distance < 2 * kFoldLimit) near.distance -= folds_(p, near.stuff);
    return near;
  }

  Hit Cast(float sx, float sy, float eps) const {
    float depth = nearest_;
    for (int i = 0; i < 64 && depth > farthest_; ++i) {
      Near near = At(Camera::World({sx, sy, depth}));
      if (near.distance < eps) return {depth, near.stuff};
      depth -= std::max(0.7f * near.distance, eps);
    }
    return {};
  }

  V3 Normal(V3 p, float h) const {
    // Four corners of a tetrahedron: the fewest samples that give a gradient.
    static constexpr V3 kCorner[4] = {{1, -1, -1}, {-1, -1, 1}, {-1, 1, -1}, {1, 1, 1}};
    V3 n;
    for (const V3& c : kCorner) n += c * At(p + c * h).distance;
    return Unit(n);
  }

 private:
  std::vector<Solid> solids_;
  const Folds& folds_;
  float nearest_, farthest_;
};

float Openness(const std::vector<Solid>& casters, V3 p, V3 normal) {
  float closed = 0, weight = 1;
  for (float step : {0.025f, 0.06f, 0.13f}) {
    closed += weight * std::max(0.0f, step - Nearest(casters, p + normal * step).distance) / step;
    weight *= 0.6f;
  }
  return 1 - Clamp01(0.55f * closed);
}

class Drawing {
 public:
  Drawing(const Camera& camera, const std::vector<Solid>& solids, const std::vector<Solid>& casters, const Folds& folds,
          const Shader& shader, Picture* picture)
      : camera_(camera),
        casters_(casters),
        shader_(shader),
        picture_(picture),
        across_((camera.width + kTile - 1) / kTile),
        hits_(picture->pixels.size()) {
    int down = (camera.height + kTile - 1) / kTile;
    tiles_.reserve(static_cast<size_t>(across_) * down);
    for (int i = 0; i < across_ * down; ++i) {
      tiles_.emplace_back(Active(solids, (i % across_) * kTile, (i / across_) * kTile), folds);
    }
  }

  void Run() {
    std::vector<Rgba> colour(hits_.size());
    ForTouched([&](int x, int y, const Caster& caster) {
      size_t i = Index(x, y);
      hits_[i] = Sample(static_cast<float>(x) + 0.5f, static_cast<float>(y) + 0.5f, caster, nullptr);
    });
    ForTouched([&](int x, int y, const Caster& caster) {
      size_t i = Index(x, y);
      if (IsEdge(x, y)) {
        constexpr int kSide = 4;
        for (int k = 0; k < kSide * kSide; ++k) {
          float fx = (static_cast<float>(k % kSide) + 0.5f) / kSide,
                fy = (static_cast<float>(k / kSide) + 0.5f) / kSide;
          Rgba sample;
          Sample(static_cast<float>(x) + fx, static_cast<float>(y) + fy, caster, &sample);
          colour[i] = colour[i] + sample * (1.0f / (kSide * kSide));
        }
      } else if (hits_[i].stuff != Stuff::kNothing) {
        colour[i] = Shade(static_cast<float>(x) + 0.5f, static_cast<float>(y) + 0.5f, hits_[i], caster);
      }
    });
    for (size_t i = 0; i < colour.size(); ++i) {
      if (colour[i].a > 0) picture_->pixels[i] = Over(colour[i], picture_->pixels[i]);
    }
  }

 private:
  size_t Index(int x, int y) const { return static_cast<size_t>(y) * camera_.width + x; }

  // The solids that a ray through this tile can meet.
  std::vector<Solid> Active(const std::vector<Solid>& solids, int x0, int y0) const {
    float cx = camera_.PlaneX(static_cast<float>(x0) + 0.5f * kTile),
          cy = camera_.PlaneY(static_cast<float>(y0) + 0.5f * kTile);
    float half = 0.75f * kTile * camera_.metres_per_pixel;
    std::vector<Solid> active;
    for (const Solid& s : solids) {
      V3 a = Camera::Project(s.form == Solid::kLimb || s.form == Solid::kCan ? s.a : s.middle);
      V3 b = Camera::Project(s.form == Solid::kLimb || s.form == Solid::kCan ? s.b : s.middle);
      float reach = s.form == Solid::kLimb || s.form == Solid::kCan ? std::max(s.ra, s.rb) + s.round : s.reach;
      float dx = b.x - a.x, dy = b.y - a.y;
      float u = Clamp01(((cx - a.x) * dx + (cy - a.y) * dy) / std::max(1e-9f, dx * dx + dy * dy));
      float gap = std::hypot(cx - a.x - u * dx, cy - a.y - u * dy) - reach - half;
      if (gap < kFoldLimit + s.blend) active.push_back(s);
    }
    return active;
  }

  template <typename Visit>
  void ForTouched(const Visit& visit) {
    for (size_t t = 0; t < tiles_.size(); ++t) {
      if (tiles_[t].empty()) continue;
      int x0 = static_cast<int>(t) % across_ * kTile, y0 = static_cast<int>(t) / across_ * kTile;
      for (int y = y0; y < std::min(y0 + kTile, camera_.height); ++y) {
        for (int x = x0; x < std::min(x0 + kTile, camera_.width); ++x) visit(x, y, tiles_[t]);
      }
    }
  }

  Hit Sample(float px, float py, const Caster& caster, Rgba* colour) const {
    Hit hit = caster.Cast(camera_.PlaneX(px), camera_.PlaneY(py), std::min(0.001f, 0.25f * camera_.metres_per_pixel));
    if (colour != nullptr && hit.stuff != Stuff::kNothing) *colour = Shade(px, py, hit, caster);
    return hit;
  }

  Rgba Shade(float px, float py, const Hit& hit, const Caster& caster) const {
    Surface s;
    s.p = Camera::World({camera_.PlaneX(px), camera_.PlaneY(py), hit.depth});
    s.normal = caster.Normal(s.p, hit.stuff == Stuff::kSteel ? 0.0012f : 0.0035f);
    s.stuff = hit.stuff;
    s.lit = LampShare(casters_, s.p + s.normal * 0.03f, 0.14f);
    s.open = Openness(casters_, s.p, s.normal);
    return Cover(shader_(s));
  }

  bool IsEdge(int x, int y) const {
    const Hit& here = hits_[Index(x, y)];
    for (int j = std::max(0, y - 1); j <= std::min(y + 1, camera_.height - 1); ++j) {
      for (int i = std::max(0, x - 1); i <= std::min(x + 1, camera_.width - 1); ++i) {
        const Hit& there = hits_[Index(i, j)];
        if (there.stuff != here.stuff || std::abs(there.depth - here.depth) > 0.05f) return true;
      }
    }
    return false;
  }

  const Camera& camera_;
  const std::vector<Solid>& casters_;
  const Shader& shader_;
  Picture* picture_;
  int across_;
  std::vector<Caster> tiles_;
  std::vector<Hit> hits_;
};

}  // namespace

void Enclose(std::vector<Solid>* solids) {
  for (Solid& s : *solids) {
    s.middle = MiddleOf(s);
    s.reach = ReachOf(s);
  }
}

float Distance(const Solid& s, V3 p) {
  if (s.flat != 1) p.z = s.a.z + (p.z - s.a.z) * s.flat;
  switch (s.form) {
    case Solid::kLimb: {
      V3 ab = s.b - s.a, ap = p - s.a;
      float u = Clamp01(Dot(ap, ab) / std::max(1e-9f, Dot(ab, ab)));
      return Length(ap - ab * u) - Mix(s.ra, s.rb, u);
    }
    case Solid::kEllipsoid: {
      V3 q = p - s.a;
      V3 scaled = {q.x / s.b.x, q.y / s.b.y, q.z / s.b.z};
      V3 steep = {scaled.x / s.b.x, scaled.y / s.b.y, scaled.z / s.b.z};
      float k = Length(scaled);
      return k < 0.1f ? -std::min({s.b.x, s.b.y, s.b.z}) : k * (k - 1) / Length(steep);
    }
    case Solid::kCan: {
      V3 ab = s.b - s.a, ap = p - s.a;
      float length = Length(ab), along = Dot(ap, ab) / length;
      float radius = Mix(s.ra, s.rb, Clamp01(along / length));
      float out = Length(ap - ab * (along / length)) - radius + s.round;
      float past = std::abs(along - 0.5f * length) - 0.5f * length + s.round;
      float beside = std::max(out, 0.0f), beyond = std::max(past, 0.0f);
      return std::sqrt(beside * beside + beyond * beyond) + std::min(std::max(out, past), 0.0f) - s.round;
    }
    case Solid::kBox: {
      V3 q = p - s.a;
      float c = std::cos(s.ra), r = std::sin(s.ra);
      V3 t = {std::abs(c * q.x + r * q.y), std::abs(-r * q.x + c * q.y), std::abs(q.z)};
      return BoxDistance({t.x - s.b.x + s.round, t.y - s.b.y + s.round, t.z - s.b.z + s.round}, s.round);
    }
  }
  return 1e9f;
}

Near Nearest(const std::vector<Solid>& solids, V3 p) {
  Near hard;
  float soft = 1e9f;
  for (const Solid& s : solids) {
    // Past a ball further away than what is already near nothing can come nearer
    // (flattened solids lie inside theirs and are underestimated at most to it).
    float bound = std::min(hard.distance, soft) + s.blend + s.reach;
    V3 apart = p - s.middle;
    if (Dot(apart, apart) > bound * bound) continue;
    float d = Distance(s, p);
    if (s.blend > 0) {
      // Polynomial smooth minimum.
      float h = std::max(s.blend - std::abs(soft - d), 0.0f) / s.blend;
      soft = std::min(soft, d) - h * h * s.blend * 0.25f;
    } else if (d < hard.distance) {
      hard = {d, s.stuff};
    }
  }
  return soft < hard.distance ? Near{soft, Stuff::kSuit} : hard;
}

V3 MainLamp() {
  static const V3 kLight = Unit({-0.55f, 0.72f, 0.62f});
  return kLight;
}

float LampShare(const std::vector<Solid>& casters, V3 p, float spread) {
  float share = 1, t = 0.02f;
  for (int i = 0; i < 14 && t < 1.3f; ++i) {
    float d = Nearest(casters, p + MainLamp() * t).distance;
    share = std::min(share, 0.5f + 0.5f * d / (spread * t));
    if (share <= 0) return 0;
    t += std::clamp(d, 0.02f, 0.25f);
  }
  share = Clamp01(share);
  return share * share * (3 - 2 * share);
}

void DrawSolids(const Camera& camera, const std::vector<Solid>& solids, const std::vector<Solid>& casters,
                const Folds& folds, const Shader& shader, Picture* picture) {
  Drawing(camera, solids, casters, folds, shader, picture).Run();
}

}  // namespace selvage::scene
