#include "tests/scene/drawn_masks.h"

#include <cstdio>
#include <functional>
#include <vector>

#include "tests/scene/picture.h"

namespace selvage::scene {
namespace {

struct Point {
  float x, y;
};
using Outline = std::vector<Point>;

// Plane metres of a world point, pushed aside.
Point Beside(V3 p, float dx, float dy) {
  V3 q = Camera::Project(p);
  return {q.x + dx, q.y + dy};
}

class MaskWriter {
 public:
  explicit MaskWriter(const Shot& shot) : shot_(shot), camera_(shot.width, shot.height) {}

  void Begin(const char* name) { text_ += std::string("mask {\n  name: \"") + name + "\"\n"; }
  void End() { text_ += "}\n"; }

  // Feathers are in pixels at 540 lines.
  void Still(const Outline& outline, float feather) {
    text_ += "  shape {\n    path: \"" + Path(outline) + "\"\n" + Feather(feather) + "  }\n";
  }

  // Key frames where `wanted` says so, and at both ends. Smooth outlines are
  // curves through the points; others have straight sides.
  void Moving(const std::function<bool(int)>& wanted, const std::function<Outline(float)>& outline, float feather,
              bool smooth = true) {
    text_ += "  shape {\n";
    int last = shot_.first + shot_.frames - 1;
    for (int f = shot_.first; f <= last; ++f) {
      if (f != shot_.first && f != last && !wanted(f)) continue;
      // Drawn on the picture, where things are seen at the middle of the shutter.
      text_ += "    at { frame: " + std::to_string(f) + " path: \"" +
               Path(outline(static_cast<float>(f) + 0.25f), smooth) + "\" }\n";
    }
    text_ += Feather(feather) + "  }\n";
  }

  bool Every(int f, int step) const { return (f - shot_.first) % step == 0; }
  const std::string& text() const { return text_; }

 private:
  std::string Number(float pixels) const {
    char buffer[32];
    std::snprintf(buffer, sizeof buffer, "%.1f", static_cast<double>(pixels));
    return buffer;
  }
  std::string At(Point p) const { return Number(camera_.PixelX(p.x)) + " " + Number(camera_.PixelY(p.y)); }
  std::string Feather(float pixels) const {
    return pixels == 0 ? ""
                       : "    feather { value: " + Number(pixels * static_cast<float>(shot_.height) / 540) + " }\n";
  }

  // Catmull & Rom 1974, as cubic curves.
  std::string Path(const Outline& o, bool smooth = true) const {
    size_t n = o.size();
    std::string path = "M " + At(o[0]);
    for (size_t i = 0; i < n; ++i) {
      Point before = o[(i + n - 1) % n], a = o[i], b = o[(i + 1) % n], after = o[(i + 2) % n];
      if (!smooth) {
        if (i + 1 < n) path += " L " + At(b);
        continue;
      }
      Point c1 = {a.x + (b.x - before.x) / 6, a.y + (b.y - before.y) / 6},
            c2 = {b.x - (after.x - a.x) / 6, b.y - (after.y - a.y) / 6};
      path += " C " + At(c1) + " " + At(c2) + " " + At(b);
    }
    return path + " Z";
  }

  Shot shot_;
  Camera camera_;
  std::string text_;
};

// A loose ring around a stroke from a to b: `side` aside, `past` beyond the ends.
Outline Around(V3 a, V3 b, float side, float past) {
  V3 p = Camera::Project(a), q = Camera::Project(b);
  float dx = q.x - p.x, dy = q.y - p.y, l = std::max(1e-4f, std::hypot(dx, dy));
  dx /= l;
  dy /= l;
  auto at = [&](V3 c, float along, float across) {
    return Point{c.x + dx * along - dy * across, c.y + dy * along + dx * across};
  };
  return {at(p, 0, side), at(q, 0, side), at(q, past, 0), at(q, 0, -side), at(p, 0, -side), at(p, -past, 0)};
}

Outline Panel(const Pose& p, float grow_x, float grow_y, float up) {
  V3 m = Camera::Project(p.panel);
  float w = kPanelHalfWidth + 0.035f + grow_x, h = kPanelHalfHeight + grow_y, r = p.panel_roll;
  return {{m.x - w, m.y + h + up - r * w},
          {m.x + w, m.y + h + up + r * w},
          {m.x + w, m.y - h + r * w},
          {m.x - w, m.y - h - r * w}};
}

// The arm with its tool through the shutter, loosely.
Outline ToolArea(const Shot& shot, float frame, float grow) {
  Pose open = PoseAt(shot, frame - 0.25f), close = PoseAt(shot, frame + 0.25f);
  V3 o = Camera::Project(open.tool_tip), c = Camera::Project(close.tool_tip);
  V3 from = Camera::Project(Mix(open.tool_grip, open.tool_tip, -0.2f)),
     to = Camera::Project(Mix(close.tool_grip, close.tool_tip, -0.2f));
  // Keep going round in the same sense whichever way the arm swings.
  float dx = o.x + c.x - from.x - to.x, dy = o.y + c.y - from.y - to.y;
  if (dx * (c.y - o.y) - dy * (c.x - o.x) < 0) {
    std::swap(o, c);
    std::swap(from, to);
  }
  float l = std::max(1e-4f, std::hypot(dx, dy));
  dx /= l;
  dy /= l;
  auto at = [&](V3 p, float along, float across) {
    return Point{p.x + grow * (dx * along - dy * across), p.y + grow * (dy * along + dx * across)};
  };
  V3 middle = (o + c) * 0.5f;
  return {at(from, -0.3f, -1), at(o, 0, -1), at(o, 1, -0.7f), at(middle, 1.4f, 0),
          at(c, 1, 0.7f),      at(c, 0, 1),  at(to, -0.3f, 1)};
}

// Where a hand would set key frames for the arm: frame by frame through the fast
// stroke, every third elsewhere.
bool StrokeKey(const Shot& shot, int f) {
  int beat = ((f - 1001) % 24 + 24) % 24;
  return (beat >= 8 && beat <= 17) || (f - shot.first) % 3 == 0;
}

Outline Sleeve(const Pose& p) { return Around(p.elbow[1], Mix(p.elbow[1], p.wrist[1], 0.62f), 0.085f, 0.03f); }

void Garbage(const Shot& shot, MaskWriter* out) {
  out->Begin("garbage_shape");
  out->Moving([&](int f) { return out->Every(f, 8); },
              [&](float f) {
                Pose p = PoseAt(shot, f);
                return Outline{Beside(p.head, 0, 0.36f),
                               Beside(p.head, 0.36f, 0.14f),
                               Beside(p.shoulder[1], 0.38f, -0.02f),
                               Beside(p.elbow[1], 0.20f, -0.12f),
                               Beside(p.pelvis, 0.34f, 0),
                               Beside(p.knee[1], 0.24f, 0),
                               Beside(p.toe[1], 0.18f, 0.05f),
                               Beside(p.toe[1], 0.02f, -0.11f),
                               Beside(p.toe[0], -0.02f, -0.11f),
                               Beside(p.toe[0], -0.18f, 0.05f),
                               Beside(p.knee[0], -0.24f, 0),
                               Beside(p.pelvis, -0.34f, -0.05f),
                               Beside(p.smoker, 0.0f, -0.16f),
                               Beside(p.smoker, -0.22f, 0),
                               Beside(p.smoker, -0.22f, 0.34f),
                               Beside(p.shoulder[0], -0.48f, -0.03f),
                               Beside(p.head, -0.36f, 0.14f)};
              },
              10);
  out->Moving([&](int f) { return out->Every(f, 6); },
              [&](float f) { return Panel(PoseAt(shot, f), 0.09f, 0.06f, 0.6f); }, 10, false);
  // Wherever the arm goes in its stroke.
  V3 elbow = Camera::Project(PoseAt(shot, 1001).elbow[1]);
  out->Still({{elbow.x - 0.16f, elbow.y + 0.10f},
              {elbow.x + 0.02f, elbow.y + 0.76f},
              {elbow.x + 0.42f, elbow.y + 0.72f},
              {elbow.x + 0.72f, elbow.y + 0.30f},
              {elbow.x + 0.66f, elbow.y - 0.32f},
              {elbow.x + 0.40f, elbow.y - 0.72f},
              {elbow.x + 0.02f, elbow.y - 0.66f},
              {elbow.x - 0.12f, elbow.y - 0.2f}},
             10);
  out->End();
}

void Regions(const Shot& shot, MaskWriter* out) {
  auto pose = [&](float f) { return PoseAt(shot, f); };
  auto slow = [&](int f) { return out->Every(f, 8); };
  out->Begin("suit_shape");
  out->Moving(
      slow,
      [&](float f) {
        Pose p = pose(f);
        return Outline{Beside(p.neck, 0, -0.03f),         Beside(p.shoulder[1], 0.11f, 0.06f),
                       Beside(p.elbow[1], 0.12f, 0.0f),   Beside(p.chest, 0.24f, -0.12f),
                       Beside(p.pelvis, 0.24f, 0),        Beside(p.knee[1], 0.15f, 0),
                       Beside(p.ankle[1], 0.14f, 0.22f),  Beside(p.ankle[0], -0.14f, 0.22f),
                       Beside(p.knee[0], -0.15f, 0),      Beside(p.pelvis, -0.24f, 0),
                       Beside(p.chest, -0.24f, -0.12f),   Beside(p.elbow[0], -0.02f, -0.11f),
                       Beside(p.wrist[0], 0.02f, -0.08f), Beside(p.wrist[0], -0.02f, 0.08f),
                       Beside(p.elbow[0], -0.10f, 0.05f), Beside(p.shoulder[0], -0.11f, 0.05f)};
      },
      6);
  out->Moving([&](int f) { return StrokeKey(shot, f); }, [&](float f) { return Sleeve(pose(f)); }, 3);
  out->End();

  out->Begin("boots_shape");
  for (int i = 0; i < 2; ++i) {
    float s = i == 0 ? -1.0f : 1.0f;
    out->Moving(
        slow,
        [&, i, s](float f) {
          Pose p = pose(f);
          return Outline{Beside(p.ankle[i], -0.115f, 0.20f),
                         Beside(p.ankle[i], 0.115f, 0.20f),
                         Beside(p.ankle[i], 0.085f + 0.02f * s, 0.02f),
                         Beside(p.toe[i], 0.062f, 0.0f),
                         Beside(p.toe[i], 0, -0.060f),
                         Beside(p.toe[i], -0.062f, 0.0f),
                         Beside(p.ankle[i], -0.085f + 0.02f * s, 0.02f)};
        },
        1.5f);
  }
  out->End();

  out->Begin("head_shape");
  out->Moving(
      slow,
      [&](float f) {
        Pose p = pose(f);
        return Outline{Beside(p.head, -0.15f, 0.22f),  Beside(p.head, 0.15f, 0.22f),  Beside(p.head, 0.29f, 0.09f),
                       Beside(p.head, 0.25f, -0.08f),  Beside(p.neck, 0.21f, -0.03f), Beside(p.neck, -0.21f, -0.03f),
                       Beside(p.head, -0.25f, -0.08f), Beside(p.head, -0.29f, 0.09f)};
      },
      3);
  out->End();

  out->Begin("hair_shape");
  for (float s : {-1.0f, 1.0f}) {
    out->Moving(
        slow,
        [&, s](float f) {
          Pose p = pose(f);
          return Outline{Beside(p.head, 0.17f * s, -0.13f),
                         Beside(p.head, 0.34f * s, -0.10f),
                         Beside(p.head, 0.62f * s, -0.19f),
                         Beside(p.head, 0.64f * s, -0.31f),
                         Beside(p.head, 0.46f * s, -0.42f),
                         Beside(p.shoulder[s < 0 ? 0 : 1], 0.05f * s, -0.14f),
                         Beside(p.shoulder[s < 0 ? 0 : 1], 0.02f * s, 0.05f)};
        },
        6);
  }
  out->End();
}

void Props(const Shot& shot, MaskWriter* out) {
  auto pose = [&](float f) { return PoseAt(shot, f); };
  out->Begin("tool_shape");
  out->Moving([&](int f) { return StrokeKey(shot, f); }, [&](float f) { return ToolArea(shot, f, 0.045f); }, 4);
  out->End();

  // Inside the can and its lid: what must stay solid although it mirrors the screen.
  auto often = [&](int f) { return out->Every(f, 4); };
  auto on_can = [&](const Pose& p, float side, float up) { return Beside(p.smoker + p.smoker_axis * up, side, 0); };
  out->Begin("steel_shape");
  out->Moving(
      often,
      [&](float f) {
        Pose p = pose(f);
        return Outline{on_can(p, -0.069f, 0.0f),   on_can(p, -0.070f, 0.08f),  on_can(p, -0.071f, 0.165f),
                       on_can(p, -0.047f, 0.232f), on_can(p, -0.071f, 0.266f), on_can(p, -0.050f, 0.287f),
                       on_can(p, 0.002f, 0.250f),  on_can(p, 0.066f, 0.172f),  on_can(p, 0.070f, 0.08f),
                       on_can(p, 0.069f, 0.0f),    on_can(p, 0.0f, -0.010f)};
      },
      0);
  out->End();
  out->Begin("smoker_shape");
  out->Moving(
      often,
      [&](float f) {
        Pose p = pose(f);
        return Outline{on_can(p, -0.10f, -0.03f), on_can(p, -0.12f, 0.15f), on_can(p, -0.14f, 0.30f),
                       on_can(p, -0.02f, 0.31f),  on_can(p, 0.12f, 0.21f),  on_can(p, 0.22f, 0.12f),
                       on_can(p, 0.20f, -0.03f),  on_can(p, 0.05f, -0.05f)};
      },
      4);
  out->End();

  out->Begin("panel_shape");
  out->Moving(
      often, [&](float f) { return Panel(pose(f), 0.045f, 0.025f, 0); }, 4, false);
  out->End();
}

// Sides of the suit that look away from the lamp, at the picture's right.
void Shade(const Shot& shot, MaskWriter* out) {
  auto slow = [&](int f) { return out->Every(f, 8); };
  out->Begin("shade_shape");
  out->Moving(
      slow,
      [&](float f) {
        Pose p = PoseAt(shot, f);
        return Outline{Beside(p.shoulder[1], 0.11f, -0.02f), Beside(p.elbow[1], 0.13f, -0.04f),
                       Beside(p.elbow[1], 0.0f, -0.13f),     Beside(p.chest, 0.25f, -0.16f),
                       Beside(p.pelvis, 0.24f, -0.05f),      Beside(p.pelvis, 0.12f, -0.05f),
                       Beside(p.chest, 0.10f, -0.05f)};
      },
      3);
  for (int i = 0; i < 2; ++i) {
    out->Moving(
        slow,
        [&, i](float f) {
          Pose p = PoseAt(shot, f);
          return Outline{Beside(p.hip[i], 0.07f, i == 0 ? -0.03f : 0.05f),
                         Beside(p.hip[i], 0.16f, i == 0 ? -0.10f : 0.05f),
                         Beside(p.knee[i], 0.15f, 0),
                         Beside(p.ankle[i], 0.14f, 0.21f),
                         Beside(p.ankle[i], -0.13f, 0.21f),
                         Beside(p.ankle[i], -0.02f, 0.31f),
                         Beside(p.knee[i], 0.03f, 0.02f)};
        },
        3);
  }
  out->Moving([&](int f) { return StrokeKey(shot, f); }, [&](float f) { return Sleeve(PoseAt(shot, f)); }, 3);
  // Under the arm that holds the smoker.
  out->Moving(
      slow,
      [&](float f) {
        Pose p = PoseAt(shot, f);
        return Outline{Beside(p.shoulder[0], 0.07f, -0.06f), Beside(p.elbow[0], 0.14f, 0.0f),
                       Beside(p.elbow[0], 0.09f, -0.14f),    Beside(p.wrist[0], 0.01f, -0.10f),
                       Beside(p.wrist[0], 0.03f, -0.01f),    Beside(p.elbow[0], 0.01f, -0.02f)};
      },
      3);
  out->End();
}

void Insides(const Shot& shot, MaskWriter* out) {
  auto pose = [&](float f) { return PoseAt(shot, f); };
  auto slow = [&](int f) { return out->Every(f, 8); };
  // Well inside body and limbs, where green bounce thins the core.
  out->Begin("inside_shape");
  out->Moving(
      slow,
      [&](float f) {
        Pose p = pose(f);
        return Outline{
            Beside(p.shoulder[0], 0.02f, 0.0f), Beside(p.shoulder[1], -0.02f, 0.0f), Beside(p.chest, 0.10f, -0.05f),
            Beside(p.pelvis, 0.12f, 0.02f),     Beside(p.pelvis, 0.13f, -0.10f),     Beside(p.pelvis, 0.0f, -0.215f),
            Beside(p.pelvis, -0.13f, -0.10f),   Beside(p.pelvis, -0.12f, 0.02f),     Beside(p.chest, -0.10f, -0.05f)};
      },
      -4);
  for (int i = 0; i < 2; ++i) {
    out->Moving(
        slow,
        [&, i](float f) {
          Pose p = pose(f);
          return Around(p.hip[i] + V3{0, -0.05f, 0}, Mix(p.knee[i], p.ankle[i], 0.25f), 0.066f, 0.02f);
        },
        -4);
    // The boots are drawn close: their shine is as green as the floor.
    out->Moving(
        slow,
        [&, i](float f) {
          Pose p = pose(f);
          V3 top = Mix(p.knee[i], p.ankle[i], 0.45f);
          return Outline{Beside(top, -0.082f, 0),
                         Beside(top, 0.082f, 0),
                         Beside(Mix(top, p.ankle[i], 0.6f), 0.069f, 0),
                         Beside(p.ankle[i], 0.065f, 0),
                         Beside(p.ankle[i], 0.059f, -0.055f),
                         Beside(p.ankle[i], -0.059f, -0.055f),
                         Beside(p.ankle[i], -0.065f, 0),
                         Beside(Mix(top, p.ankle[i], 0.6f), -0.069f, 0)};
        },
        -1.5f);
    out->Moving(
        slow,
        [&, i](float f) {
          Pose p = pose(f);
          return Around(p.ankle[i] + V3{0, -0.035f, 0}, p.toe[i], 0.046f, 0.042f);
        },
        -1.5f);
  }
  out->End();

  // The middle of the hive frame: wax has a green of its own.
  out->Begin("panel_inside_shape");
  out->Moving([&](int f) { return out->Every(f, 4); }, [&](float f) { return Panel(pose(f), -0.08f, -0.018f, 0); }, -3,
              false);
  out->End();

  // Where the figure's shadow lies on the floor, and where boots stand on it.
  out->Begin("floor_shape");
  Pose p = pose(1001);
  out->Still({Beside(p.toe[0], -0.25f, 0.0f), Beside(p.ankle[0], -0.15f, 0.10f), Beside(p.ankle[1], 0.3f, 0.16f),
              Beside(p.ankle[1], 1.0f, 0.20f), Beside(p.ankle[1], 1.25f, 0.05f), Beside(p.toe[1], 0.6f, -0.07f),
              Beside(p.toe[0], 0.1f, -0.10f)},
             25);
  out->End();
}

}  // namespace

std::string DrawnMasks(const Shot& shot) {
  MaskWriter out(shot);
  Garbage(shot, &out);
  Regions(shot, &out);
  Props(shot, &out);
  Shade(shot, &out);
  Insides(shot, &out);
  return out.text();
}

}  // namespace selvage::scene
