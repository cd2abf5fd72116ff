// What moves far while the shutter is open: each pixel takes many moments, and
// each moment another place within the pixel.
#include <functional>

#include "tests/scene/layers.h"

namespace selvage::scene {
namespace {

struct Box {
  float x0 = 1e9f, y0 = 1e9f, x1 = -1e9f, y1 = -1e9f;
  void Take(V3 p, float reach) {
    x0 = std::min(x0, p.x - reach);
    y0 = std::min(y0, p.y - reach);
    x1 = std::max(x1, p.x + reach);
    y1 = std::max(y1, p.y + reach);
  }
};

// Averages `sample(moment, sx, sy)` over the shutter within the box (plane
// metres) and lays the result over the picture.
void Expose(const Camera& camera, const Box& box, int moments, const std::function<Rgba(int, float, float)>& sample,
            Picture* picture) {
  int x0 = std::max(0, static_cast<int>(camera.PixelX(box.x0)) - 1),
      x1 = std::min(camera.width, static_cast<int>(camera.PixelX(box.x1)) + 2);
  int y0 = std::max(0, static_cast<int>(camera.PixelY(box.y1)) - 1),
      y1 = std::min(camera.height, static_cast<int>(camera.PixelY(box.y0)) + 2);
  for (int y = y0; y < y1; ++y) {
    for (int x = x0; x < x1; ++x) {
      Rgba sum;
      for (int m = 0; m < moments; ++m) {
        // The R2 sequence (Roberts 2018) spreads the places evenly.
        float k = static_cast<float>(m);
        float fx = k * 0.7548777f, fy = k * 0.5698403f;
        fx -= std::floor(fx);
        fy -= std::floor(fy);
        sum = sum + sample(m, camera.PlaneX(static_cast<float>(x) + fx), camera.PlaneY(static_cast<float>(y) + fy));
      }
      if (sum.a > 0) picture->At(x, y) = Over(sum * (1 / static_cast<float>(moments)), picture->At(x, y));
    }
  }
}

// A limb seen from the front: projected ends and radii.
struct Rod {
  V3 a, b;
  float ra, rb;
  Stuff stuff;
};

// True where the rod covers the place; then its surface, and how far along and
// around it (metres) for textures.
bool Meet(const Rod& rod, float sx, float sy, Surface* s, V3* cloth) {
  float dx = rod.b.x - rod.a.x, dy = rod.b.y - rod.a.y, length = std::max(1e-5f, Length({dx, dy, 0}));
  float along = ((sx - rod.a.x) * dx + (sy - rod.a.y) * dy) / length, u = Clamp01(along / length);
  float radius = Mix(rod.ra, rod.rb, u);
  float ox = sx - rod.a.x - u * dx, oy = sy - rod.a.y - u * dy;
  float q = (ox * ox + oy * oy) / (radius * radius);
  if (q >= 1) return false;
  float nz = std::sqrt(1 - q);
  s->normal = Unit(Camera::World({ox / radius, oy / radius, nz}));
  s->p = Camera::World({sx, sy, Mix(rod.a.z, rod.b.z, u) + nz * radius});
  s->stuff = rod.stuff;
  float side = (dx * oy - dy * ox) / length;
  *cloth = {side, along, nz * radius};
  return true;
}

struct Moment {
  Rod sleeve, cuff, palm, thumb;
  V3 grip, tip;
};

Moment MomentOf(const Shot& shot, float frame) {
  Pose p = PoseAt(shot, frame);
  V3 fore = p.wrist[1] - p.elbow[1];
  auto at = [&](V3 w) { return Camera::Project(w); };
  Moment m;
  m.sleeve = {at(p.elbow[1]), at(p.elbow[1] + fore * 0.72f), 0.064f, 0.055f, Stuff::kSuit};
  m.cuff = {at(p.elbow[1] + fore * 0.60f), at(p.wrist[1]), 0.062f, 0.043f, Stuff::kGlove};
  m.palm = {at(p.wrist[1]), at(p.tool_grip + (p.tool_tip - p.tool_grip) * 0.06f), 0.040f, 0.043f, Stuff::kGlove};
  V3 along = Unit(p.tool_tip - p.tool_grip);
  m.thumb = {at(p.tool_grip + V3{-0.015f, 0.0f, 0.03f}), at(p.tool_grip + along * 0.075f + V3{0, 0, 0.03f}), 0.017f,
             0.013f, Stuff::kGlove};
  m.grip = at(p.tool_grip - along * 0.07f);
  m.tip = at(p.tool_tip);
  return m;
}

// A flat steel bar with a red grip, a hook at one end and a chisel at the other.
Rgba Tool(const Studio& studio, const Moment& m, float sx, float sy) {
  float dx = m.tip.x - m.grip.x, dy = m.tip.y - m.grip.y, length = std::max(1e-5f, std::hypot(dx, dy));
  float along = ((sx - m.grip.x) * dx + (sy - m.grip.y) * dy) / length,
        side = ((sx - m.grip.x) * -dy + (sy - m.grip.y) * dx) / length;
  float u = along / length;
  float half = 0.013f + 0.010f * Step01(0.72f, 1.0f, u);
  if (u < 0 || u > 1 || std::abs(side) > half) return {};
  V3 n = Unit(Camera::World({-dy / length * side / half * 0.35f, dx / length * side / half * 0.35f + 0.12f, 0.9f}));
  V3 r = n * (2 * Dot(n, ToCamera())) - ToCamera();
  V3 steel = studio.Reflected(r, 1.0f) * 0.22f + V3{0.23f, 0.235f, 0.25f} * (0.75f + 0.5f * std::abs(side) / half);
  if (u < 0.66f) {
    Surface s;
    s.normal = n;
    s.p = Camera::World({sx, sy, m.grip.z});
    steel = V3{0.52f, 0.055f, 0.030f} * studio.Light(s);
  }
  return Cover(steel);
}

// The hive frame in its own coordinates: wood around comb.
bool PanelColour(V3 q, V3* albedo, float* height) {
  constexpr float kW = kPanelHalfWidth, kH = kPanelHalfHeight;
  float x = q.x, y = q.y;
  bool lugs = y > kH - 0.030f && y < kH - 0.005f && std::abs(x) < kW + 0.035f;
  bool wood = std::abs(x) < kW && std::abs(y) < kH;
  if (!lugs && !wood) return false;
  float inner_x = kW - 0.026f, top = kH - 0.034f, bottom = -kH + 0.022f;
  if (lugs || std::abs(x) > inner_x || y > top || y < bottom) {
    bool upright = std::abs(x) > inner_x && !lugs && y < top;
    float grain = upright ? Octaves(x * 160, y * 9, 3, 211) : Octaves(x * 9, y * 160, 3, 213);
    *albedo = V3{0.52f, 0.355f, 0.185f} * (1 + 0.30f * grain) *
              (1 - 0.25f * Step01(0.2f, 0.6f, Octaves(x * 14, y * 14, 3, 217)));
    *height = 0.012f;
    return true;
  }
  // Comb: hexagons of wax, capped towards the top, honey shining below.
  constexpr float kCell = 0.0075f;
  float gx = x / kCell, gy = y / (kCell * 0.866f);
  float row = std::round(gy), shift = static_cast<int>(row) & 1 ? 0.5f : 0.0f;
  float cx = gx - shift - std::round(gx - shift), cy = gy - row;
  float rim = Step01(0.26f, 0.46f, std::hypot(cx, cy * 0.9f));
  float capped = Step01(-0.15f, 0.15f, y / kH - 0.25f + 0.6f * Octaves(x * 11, y * 11, 3, 219));
  V3 cell = Mix(V3{0.19f, 0.085f, 0.014f}, V3{0.56f, 0.42f, 0.21f}, capped);
  *albedo =
      Mix(cell, V3{0.50f, 0.35f, 0.12f}, rim * (1 - 0.7f * capped)) * (1 + 0.25f * Octaves(x * 30, y * 30, 2, 223));
  *height = -0.004f;
  // Bees.
  for (uint32_t n = 0; n < 26; ++n) {
    float bx = x - (Random(5, n, 1) - 0.5f) * 2 * (inner_x - 0.01f),
          by = y - Mix(bottom + 0.01f, top - 0.01f, Random(5, n, 2));
    float turn = 6.28f * Random(5, n, 3), c = std::cos(turn), s = std::sin(turn);
    float u = (c * bx + s * by) / 0.0085f, v = (-s * bx + c * by) / 0.0036f;
    if (u * u + v * v < 1) *albedo = std::sin(u * 7) > 0.1f ? V3{0.030f, 0.020f, 0.010f} : V3{0.36f, 0.20f, 0.035f};
  }
  return true;
}

}  // namespace

void DrawSwing(const Camera& camera, const Studio& studio, const Shot& shot, float frame, Picture* picture) {
  Moment first = MomentOf(shot, frame), last = MomentOf(shot, frame + kShutter);
  // At least two moments for each pixel that the tip travels, and 32 in all.
  float travel = std::hypot(last.tip.x - first.tip.x, last.tip.y - first.tip.y) / camera.metres_per_pixel;
  int moments = std::clamp(static_cast<int>(2.5f * travel), 32, 512);
  std::vector<Moment> at;
  Box box;
  for (int i = 0; i < moments; ++i) {
    at.push_back(MomentOf(shot, frame + kShutter * (static_cast<float>(i) + 0.5f) / static_cast<float>(moments)));
    for (V3 p : {at.back().sleeve.a, at.back().cuff.b, at.back().tip, at.back().palm.b, at.back().grip})
      box.Take(p, 0.075f);
  }
  Expose(
      camera, box, moments,
      [&](int i, float sx, float sy) {
        const Moment& m = at[static_cast<size_t>(i)];
        Surface s;
        V3 cloth;
        s.open = 0.9f;
        for (const Rod* rod : {&m.thumb, &m.palm, &m.cuff, &m.sleeve}) {
          // The tool lies between thumb and palm.
          if (rod == &m.palm) {
            Rgba tool = Tool(studio, m, sx, sy);
            if (tool.a > 0) return tool;
          }
          if (!Meet(*rod, sx, sy, &s, &cloth)) continue;
          if (rod->stuff == Stuff::kSuit) {
            // Folds as slopes: wrinkles around the forearm.
            float lean = Noise(cloth.x * 20, cloth.y * 12, 301);
            float slope = Noise(cloth.x * 9 + lean, cloth.y * 42 + 2 * lean, 303);
            s.normal = Unit(s.normal + V3{0.18f * lean, 0.42f * slope, 0});
            cloth = V3{0.3f + cloth.x, 1.1f + cloth.y, cloth.z};
          }
          return Cover(studio.Shade(s, cloth));
        }
        return Rgba{};
      },
      picture);
}

void DrawPanel(const Camera& camera, const Studio& studio, const Shot& shot, float frame, Picture* picture) {
  Pose first = PoseAt(shot, frame), last = PoseAt(shot, frame + kShutter);
  int moments =
      std::clamp(static_cast<int>(2 * std::abs(last.panel.x - first.panel.x) / camera.metres_per_pixel), 16, 256);
  std::vector<Pose> at;
  Box box;
  for (int i = 0; i < moments; ++i) {
    at.push_back(PoseAt(shot, frame + kShutter * (static_cast<float>(i) + 0.5f) / static_cast<float>(moments)));
    box.Take(Camera::Project(at.back().panel), kPanelHalfWidth + 0.05f);
  }
  box.y1 = camera.PlaneY(0);
  Surface s;
  s.normal = Unit({-0.08f, 0.10f, 1});
  V3 light = studio.Light(s);
  Surface edge = s;
  edge.normal = Unit({-0.1f, 0.9f, 0.5f});
  V3 edge_light = studio.Light(edge);
  Expose(
      camera, box, moments,
      [&](int i, float sx, float sy) {
        const Pose& p = at[static_cast<size_t>(i)];
        V3 middle = Camera::Project(p.panel);
        float c = std::cos(p.panel_roll), r = std::sin(p.panel_roll);
        V3 q = {c * (sx - middle.x) - r * (sy - middle.y), r * (sx - middle.x) + c * (sy - middle.y), 0};
        V3 albedo;
        float height;
        if (PanelColour(q, &albedo, &height)) {
          bool bright = q.y > kPanelHalfHeight - 0.012f;
          // The bars throw a little shadow on the comb below and right of them.
          float shade =
              height > 0 ? 1.0f : 1 - 0.45f * std::max(Step01(0.02f, 0.0f, kPanelHalfHeight - 0.034f - q.y), 0.0f);
          return Cover(albedo * (bright ? edge_light : light) * shade);
        }
        // Two cords up to a bar out of the picture.
        if (q.y > 0 && std::min(std::abs(sx - middle.x - 0.2f * c), std::abs(sx - middle.x + 0.2f * c)) < 0.0022f) {
          return Cover(V3{0.14f, 0.12f, 0.095f} * light);
        }
        return Rgba{};
      },
      picture);
}

}  // namespace selvage::scene
