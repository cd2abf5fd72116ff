#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/core.hpp>
#include <opencv2/ximgproc/edge_filter.hpp>

#include "absl/strings/str_cat.h"
#include "tests/ops/moving_scene.h"
#include "tests/testing/op_tester.h"

namespace selvage::worker {
namespace {

const Rect kRect{-4, 6, 120, 96};

Picture Textured(const Rect& rect, uint64_t seed) {
  Picture p;
  p.kind = OPAQUE;
  for (int c = 0; c < 3; ++c) {
    p.planes.push_back(Plane(rect));
    for (int y = rect.y0; y < rect.y1; ++y) {
      for (int x = rect.x0; x < rect.x1; ++x) {
        p.planes[c].at(x, y) = static_cast<float>(0.5 + 0.4 * testing::ValueNoise(x / 3.7, y / 4.3, seed + c));
      }
    }
  }
  p.planes.push_back(Plane::Filled(rect, 1));
  return p;
}
Picture Soft(const Rect& rect, uint64_t seed) {
  Picture p;
  p.kind = MATTE;
  p.planes.push_back(Plane(rect));
  for (int y = rect.y0; y < rect.y1; ++y) {
    for (int x = rect.x0; x < rect.x1; ++x) {
      p.planes[0].at(x, y) =
          static_cast<float>(std::clamp(0.5 + 0.45 * testing::ValueNoise(x / 6.1, y / 5.2, seed), 0.0, 1.0));
    }
  }
  return p;
}

TEST(Refine, KeepsTheLawsOfAllOperators) {
  OpTester("refine { guide: 'g' }").CheckLaws();
  OpTester("refine { guide: 'g' radius: 2 laplacian: 5 epsilon { value: 1e-6 } }").CheckLaws();
  // Windows wider than the picture.
  OpTester("refine { guide: 'g' radius: 64 laplacian: 3 }").Window({0, 0, 20, 12}).CheckLaws();
  OpTester("refine { guide: 'g' laplacian: 3 }").Window({0, 0, 40, 1}).CheckLaws();
}

// The definition itself, in binary64, window by window: He, Sun & Tang 2010,
// equations 19 to 21 (colour guide).
double GuidedAt(const Picture& guide, const Picture& matte, int x, int y, int radius, double epsilon) {
  const auto color = [&](int i, int j) {
    return cv::Matx31d(guide.planes[0].at(i, j), guide.planes[1].at(i, j), guide.planes[2].at(i, j));
  };
  const auto part = [&](int i, int j) {
    return Rect{i - radius, j - radius, i + radius + 1, j + radius + 1}.Intersect(matte.rect());
  };
  double sum = 0;
  const Rect around = part(x, y);
  for (int j = around.y0; j < around.y1; ++j) {
    for (int i = around.x0; i < around.x1; ++i) {
      const Rect window = part(i, j);
      const double n = static_cast<double>(window.area());
      cv::Matx31d mean = cv::Matx31d::zeros(), with = mean;
      cv::Matx33d spread = cv::Matx33d::eye() * epsilon;
      double m = 0;
      for (int v = window.y0; v < window.y1; ++v) {
        for (int u = window.x0; u < window.x1; ++u) {
          mean += color(u, v) * (1 / n);
          m += matte.planes[0].at(u, v) / n;
        }
      }
      for (int v = window.y0; v < window.y1; ++v) {
        for (int u = window.x0; u < window.x1; ++u) {
          const cv::Matx31d away = color(u, v) - mean;
          spread += away * away.t() * (1 / n);
          with += away * ((matte.planes[0].at(u, v) - m) / n);
        }
      }
      const cv::Matx31d a = spread.inv() * with;
      sum += a.dot(color(x, y) - mean) + m;
    }
  }
  return sum / static_cast<double>(around.area());
}

TEST(Refine, IsTheGuidedFilterByDefinition) {
  const Picture guide = Textured(kRect, 3), matte = Soft(kRect, 9);
  for (int radius : {1, 3}) {
    const Picture out =
        OpTester(absl::StrCat("refine { guide: 'g' radius: ", radius, " }")).Main(matte).With("guide", guide).Render();
    for (int y = kRect.y0; y < kRect.y1; y += 7) {
      for (int x = kRect.x0; x < kRect.x1; x += 5) {
        const double expected = std::clamp(GuidedAt(guide, matte, x, y, radius, 1e-4), 0.0, 1.0);
        ASSERT_NEAR(out.planes[0].at(x, y), expected, 1e-6) << x << ", " << y;
      }
    }
  }
}

// OpenCV's guided filter (4.6), where no window reaches the border: beyond it OpenCV
// mirrors the picture, the paper (and this) cuts the window. A guide times 16 with
// 256 times the epsilon is the same filter by the paper; OpenCV takes windows whose
// covariance has a small determinant (some 1e-6) for something else, so it gets that.
TEST(Refine, AgreesWithOpenCVAwayFromTheBorder) {
  const Picture guide = Textured(kRect, 3), matte = Soft(kRect, 9);
  cv::Mat color(kRect.height(), kRect.width(), CV_32FC3), in(kRect.height(), kRect.width(), CV_32F), theirs;
  for (int y = 0; y < in.rows; ++y) {
    for (int x = 0; x < in.cols; ++x) {
      for (int c = 0; c < 3; ++c) color.at<cv::Vec3f>(y, x)[c] = 16 * guide.planes[c].at(kRect.x0 + x, kRect.y0 + y);
      in.at<float>(y, x) = matte.planes[0].at(kRect.x0 + x, kRect.y0 + y);
    }
  }
  for (int radius : {2, 5, 8}) {
    cv::ximgproc::guidedFilter(color, in, theirs, radius, 256 * 1e-3);
    const Picture ours = OpTester(absl::StrCat("refine { guide: 'g' radius: ", radius, " epsilon { value: 1e-3 } }"))
                             .Main(matte)
                             .With("guide", guide)
                             .Render();
    for (int y = 2 * radius; y < in.rows - 2 * radius; ++y) {
      for (int x = 2 * radius; x < in.cols - 2 * radius; ++x) {
        const double expected = std::clamp<double>(theirs.at<float>(y, x), 0, 1);
        ASSERT_NEAR(ours.planes[0].at(kRect.x0 + x, kRect.y0 + y), expected, 1e-5) << radius << ": " << x << ", " << y;
      }
    }
  }
}

// The matting Laplacian of Levin, Lischinski & Weiss 2006, equation 12, number by
// number, and the open pixels solved by elimination.
TEST(Refine, LaplacianIsLevinsSolvedDirectly) {
  const Rect rect{0, 0, 14, 11};
  const int width = rect.width(), count = static_cast<int>(rect.area());
  const Picture guide = Textured(rect, 21);
  // A soft edge between empty and solid columns.
  Picture matte = Soft(rect, 5);
  for (int y = 0; y < rect.y1; ++y) {
    for (int x = 0; x < rect.x1; ++x) {
      if (x < 5) matte.planes[0].at(x, y) = 0;
      if (x > 8) matte.planes[0].at(x, y) = 1;
    }
  }
  const double epsilon = 1e-4;
  std::vector<std::vector<double>> l(count, std::vector<double>(count, 0.0));
  for (int cy = 1; cy + 1 < rect.y1; ++cy) {
    for (int cx = 1; cx + 1 < rect.x1; ++cx) {
      cv::Matx31d mean = cv::Matx31d::zeros();
      cv::Matx33d spread = cv::Matx33d::zeros();
      std::vector<int> at;
      std::vector<cv::Matx31d> colors;
      for (int y = cy - 1; y <= cy + 1; ++y) {
        for (int x = cx - 1; x <= cx + 1; ++x) {
          at.push_back(y * width + x);
          colors.push_back({guide.planes[0].at(x, y), guide.planes[1].at(x, y), guide.planes[2].at(x, y)});
          mean += colors.back() * (1 / 9.0);
        }
      }
      for (const auto& color : colors) spread += (color - mean) * (color - mean).t() * (1 / 9.0);
      // The paper's epsilon over the window's nine pixels.
      const cv::Matx33d inverse = (spread + cv::Matx33d::eye() * (9 * epsilon / 9)).inv();
      for (int i = 0; i < 9; ++i) {
        for (int j = 0; j < 9; ++j) {
          const double product = ((colors[i] - mean).t() * inverse * (colors[j] - mean))(0);
          l[at[i]][at[j]] += (i == j ? 1.0 : 0.0) - (1 + product) / 9;
        }
      }
    }
  }
  // Within one pixel of a soft one: columns 4 to 9.
  std::vector<int> open;
  for (int i = 0; i < count; ++i) {
    if (i % width >= 4 && i % width <= 9) open.push_back(i);
  }
  const int n = static_cast<int>(open.size());
  cv::Mat system(n, n, CV_64F), right(n, 1, CV_64F, cv::Scalar(0)), solved;
  for (int i = 0; i < n; ++i) {
    for (int j = 0; j < n; ++j) system.at<double>(i, j) = l[open[i]][open[j]];
    for (int k = 0; k < count; ++k) {
      if (k % width > 9) right.at<double>(i) -= l[open[i]][k];
    }
  }
  ASSERT_TRUE(cv::solve(system, right, solved, cv::DECOMP_LU));
  const Picture out = OpTester("refine { guide: 'g' radius: 1 laplacian: 500 epsilon { value: 1e-4 } }")
                          .Main(matte)
                          .With("guide", guide)
                          .Render();
  for (int i = 0; i < n; ++i) {
    const double expected = std::clamp(solved.at<double>(i), 0.0, 1.0);
    EXPECT_NEAR(out.planes[0].at(open[i] % width, open[i] / width), expected, 1e-5) << open[i];
  }
  for (int y = 0; y < rect.y1; ++y) {
    EXPECT_EQ(out.planes[0].at(3, y), 0.0f);
    EXPECT_EQ(out.planes[0].at(10, y), 1.0f);
  }
}

// A disc with a soft edge in two colours, its true matte, and a hard matte that is
// two pixels off.
struct Scene {
  Picture guide, truth, off;
};
Scene Disc() {
  Scene s;
  s.guide = Textured(kRect, 4);
  s.truth = Soft(kRect, 4);
  s.off = Soft(kRect, 4);
  const double front[] = {0.6, 0.3, 0.2}, back[] = {0.1, 0.5, 0.15};
  for (int y = kRect.y0; y < kRect.y1; ++y) {
    for (int x = kRect.x0; x < kRect.x1; ++x) {
      const double a = std::clamp((25 - std::hypot(x - 58.0, y - 50.0)) / 6, 0.0, 1.0);
      for (int c = 0; c < 3; ++c) {
        s.guide.planes[c].at(x, y) =
            static_cast<float>(a * front[c] + (1 - a) * back[c] + 0.02 * (s.guide.planes[c].at(x, y) - 0.5));
      }
      s.truth.planes[0].at(x, y) = static_cast<float>(a);
      s.off.planes[0].at(x, y) = std::hypot(x - 60.0, y - 50.0) < 22 ? 1.0f : 0.0f;
    }
  }
  return s;
}
double MeanError(const Plane& a, const Plane& b) {
  double sum = 0;
  for (int y = kRect.y0; y < kRect.y1; ++y) {
    for (int x = kRect.x0; x < kRect.x1; ++x) sum += std::abs(a.at(x, y) - b.at(x, y));
  }
  return sum / static_cast<double>(kRect.area());
}

TEST(Refine, MovesAMatteToTheEdgeOfThePicture) {
  const Scene s = Disc();
  const Plane guided =
      OpTester("refine { guide: 'g' radius: 8 }").Main(s.off).With("guide", s.guide).Render().planes[0];
  const Plane solved =
      OpTester("refine { guide: 'g' radius: 8 laplacian: 200 }").Main(s.off).With("guide", s.guide).Render().planes[0];
  const double before = MeanError(s.off.planes[0], s.truth.planes[0]);
  EXPECT_LT(MeanError(guided, s.truth.planes[0]), 0.6 * before);
  EXPECT_LT(MeanError(solved, s.truth.planes[0]), 0.25 * before);
}

TEST(Refine, SolidAndEmptyStayExact) {
  const Scene s = Disc();
  for (const char* params : {"radius: 4", "radius: 4 laplacian: 20"}) {
    const Plane out = OpTester(absl::StrCat("refine { guide: 'g' ", params, " }"))
                          .Main(s.off)
                          .With("guide", s.guide)
                          .Render()
                          .planes[0];
    for (int y = kRect.y0; y < kRect.y1; ++y) {
      for (int x = kRect.x0; x < kRect.x1; ++x) {
        const double d = std::hypot(x - 60.0, y - 50.0);
        if (std::abs(d - 22) < 13) continue;
        ASSERT_EQ(out.at(x, y), d < 22 ? 1.0f : 0.0f) << x << ", " << y;
      }
    }
  }
}

}  // namespace
}  // namespace selvage::worker
