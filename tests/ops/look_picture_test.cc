#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "tests/ops/file_tester.h"

namespace selvage::worker {
namespace {

constexpr Rect kWindow{0, 0, 80, 48};

// Codes of one pixel of a look.
class Looked {
 public:
  Looked(LookPicture::As as, std::vector<Input> inputs, double stops = 0, uint32_t longest_side = 0, double wipe = 0.5)
      : file_("png", Make(as, std::move(inputs), stops, longest_side, wipe)) {}
  int width() const { return file_.spec.width; }
  int height() const { return file_.spec.height; }
  bool eight_bits() const { return file_.spec.format == OIIO::TypeUInt8 && file_.spec.nchannels == 3; }
  std::vector<int> At(int x, int y) const {
    std::vector<int> codes;
    for (int c = 0; c < 3; ++c) codes.push_back(static_cast<int>(std::lround(file_.At(x, y, c) * 255)));
    return codes;
  }

  static std::string Make(LookPicture::As as, std::vector<Input> inputs, double stops, uint32_t longest_side,
                          double wipe) {
    LookPicture p;
    p.set_as(as);
    p.mutable_stops()->set_value(stops);
    p.mutable_wipe()->set_value(wipe);
    p.set_longest_side(longest_side);
    auto bytes = FileOf("look_picture", p, kWindow, std::move(inputs));
    EXPECT_TRUE(bytes.ok()) << bytes.status();
    return bytes.ok() ? *bytes : "";
  }

 private:
  ReadBack file_;
};

// Linear light of 8-bit sRGB codes, IEC 61966-2-1 (NumPy and OpenColorIO agree).
constexpr float kLight118 = 0.1811642f, kLight128 = 0.2158605f, kLight188 = 0.5028865f;

using Codes3 = std::vector<int>;

TEST(LookPicture, AMatteIsGreyByValueNotLight) {
  const Looked look(LookPicture::AS_MATTE, {MakeInput("in", Solid(MATTE, kWindow, {0.5f}))});
  EXPECT_TRUE(look.eight_bits());
  EXPECT_EQ(look.At(7, 7), (Codes3{128, 128, 128}));
  const Looked alpha(LookPicture::AS_MATTE, {MakeInput("in", Solid(STRAIGHT, kWindow, {1, 0, 0, 0.25f}))});
  EXPECT_EQ(alpha.At(7, 7), (Codes3{64, 64, 64}));
}

TEST(LookPicture, OnBlackColourIsMultipliedByItsAlphaOnce) {
  const Looked straight(LookPicture::AS_BLACK,
                        {MakeInput("in", Solid(STRAIGHT, kWindow, {2 * kLight188, 2 * kLight128, 0, 0.5f}))});
  EXPECT_EQ(straight.At(3, 3), (Codes3{188, 128, 0}));
  const Looked multiplied(LookPicture::AS_BLACK,
                          {MakeInput("in", Solid(PREMULTIPLIED, kWindow, {kLight188, kLight128, 0, 0.5f}))});
  EXPECT_EQ(multiplied.At(3, 3), (Codes3{188, 128, 0}));
}

TEST(LookPicture, AMatteCutsOutItsColour) {
  const Looked look(LookPicture::AS_BLACK,
                    {MakeInput("in", Solid(MATTE, kWindow, {0.5f})),
                     MakeInput("color", Solid(OPAQUE, kWindow, {2 * kLight118, 0, 2 * kLight128, 1}))});
  EXPECT_EQ(look.At(3, 3), (Codes3{118, 0, 128}));
}

TEST(LookPicture, OverPlateAndBackgroundIsThePorterDuffOver) {
  const auto behind = [] { return MakeInput("behind", Solid(OPAQUE, kWindow, {kLight188, 0, kLight128 * 2, 1})); };
  for (auto as : {LookPicture::AS_PLATE, LookPicture::AS_BACKGROUND}) {
    const Looked clear(as, {MakeInput("in", Solid(PREMULTIPLIED, kWindow, {0, 0, 0, 0})), behind()});
    EXPECT_EQ(clear.At(3, 3)[0], 188);
    const Looked half(as, {MakeInput("in", Solid(PREMULTIPLIED, kWindow, {0, kLight118, 0, 0.5f})), behind()});
    EXPECT_EQ(half.At(3, 3)[1], 118);
    EXPECT_EQ(half.At(3, 3)[2], 128);
    const Looked solid(as, {MakeInput("in", Solid(OPAQUE, kWindow, {kLight128, kLight128, kLight128, 1})), behind()});
    EXPECT_EQ(solid.At(3, 3), (Codes3{128, 128, 128}));
  }
}

TEST(LookPicture, TheCheckerHasSquaresOf32NeutralGreys) {
  const Looked look(LookPicture::AS_CHECKER, {MakeInput("in", Solid(PREMULTIPLIED, kWindow, {0, 0, 0, 0}))});
  const Codes3 dark = look.At(0, 0), light = look.At(32, 0);
  EXPECT_NE(dark, light);
  for (const Codes3& c : {dark, light}) EXPECT_TRUE(c[0] == c[1] && c[1] == c[2]);
  EXPECT_EQ(look.At(31, 31), dark);
  EXPECT_EQ(look.At(64, 31), dark);
  EXPECT_EQ(look.At(0, 32), light);
  EXPECT_EQ(look.At(32, 32), dark);
}

TEST(LookPicture, TheCheckerIsAnchoredAtTheFormatsOrigin) {
  const Looked look(LookPicture::AS_CHECKER, {MakeInput("in", Solid(PREMULTIPLIED, {-40, -3, 40, 45}, {0, 0, 0, 0}))});
  const Looked plain(LookPicture::AS_CHECKER, {MakeInput("in", Solid(PREMULTIPLIED, kWindow, {0, 0, 0, 0}))});
  EXPECT_EQ(look.At(40, 3), plain.At(0, 0));
  EXPECT_NE(look.At(39, 3), look.At(40, 3));
  EXPECT_NE(look.At(40, 2), look.At(40, 3));
  EXPECT_NE(look.At(7, 3), look.At(8, 3));
}

TEST(LookPicture, ColourIgnoresAlpha) {
  const Looked look(LookPicture::AS_COLOR,
                    {MakeInput("in", Solid(STRAIGHT, kWindow, {kLight118, kLight128, kLight188, 0}))});
  EXPECT_EQ(look.At(3, 3), (Codes3{118, 128, 188}));
}

TEST(LookPicture, TheWipeShowsThePlateAloneOnItsRight) {
  const Looked look(LookPicture::AS_WIPE,
                    {MakeInput("in", Solid(PREMULTIPLIED, kWindow, {kLight128, 0, 0, 1})),
                     MakeInput("behind", Solid(OPAQUE, kWindow, {0, kLight188, 0, 1}))},
                    0, 0, 0.25);
  EXPECT_EQ(look.At(19, 3), (Codes3{128, 0, 0}));
  EXPECT_EQ(look.At(20, 3), (Codes3{0, 188, 0}));
}

TEST(LookPicture, ExposureDoublesLightPerStop) {
  const Looked look(LookPicture::AS_COLOR, {MakeInput("in", Solid(OPAQUE, kWindow, {kLight118 / 4, 1, 0, 1}))}, 2);
  EXPECT_EQ(look.At(3, 3), (Codes3{118, 255, 0}));
}

TEST(LookPicture, ShrinkingKeepsTheMeanLight) {
  Picture in = Solid(OPAQUE, kWindow, {0, 0, 0, 1});
  for (int c = 0; c < 3; ++c) {
    Plane stripes(kWindow);
    for (int y = 0; y < 48; ++y) {
      for (int x = 0; x < 80; ++x) stripes.at(x, y) = x % 2 ? 2 * kLight128 : 0;
    }
    in.planes[c] = stripes;
  }
  const Looked look(LookPicture::AS_COLOR, {MakeInput("in", in)}, 0, 40);
  EXPECT_EQ(look.width(), 40);
  EXPECT_EQ(look.height(), 24);
  for (int x = 0; x < 40; ++x) EXPECT_EQ(look.At(x, 11), (Codes3{128, 128, 128}));
}

TEST(LookPicture, ShrinkingByAFractionKeepsAConstant) {
  for (uint32_t side : {1u, 7u, 33u, 79u}) {
    const Looked look(LookPicture::AS_COLOR,
                      {MakeInput("in", Solid(OPAQUE, kWindow, {kLight118, kLight128, kLight188, 1}))}, 0, side);
    EXPECT_EQ(std::max(look.width(), look.height()), static_cast<int>(side));
    EXPECT_EQ(look.At(look.width() - 1, look.height() - 1), (Codes3{118, 128, 188})) << side;
  }
}

TEST(LookPicture, IsNeverMadeLarger) {
  const Looked look(LookPicture::AS_COLOR, {MakeInput("in", MakePicture(OPAQUE, kWindow))}, 0, 500);
  EXPECT_EQ(look.width(), 80);
  EXPECT_EQ(look.height(), 48);
}

TEST(LookPicture, BadSamplesAreShownAsBlackOrWhite) {
  Picture in = Solid(PREMULTIPLIED, kWindow, {std::nanf(""), HUGE_VALF, -HUGE_VALF, 1});
  const Looked look(LookPicture::AS_BLACK, {MakeInput("in", in)});
  EXPECT_EQ(look.At(3, 3), (Codes3{0, 255, 0}));
}

TEST(LookPicture, WhatIsMissingIsNamed) {
  struct Case {
    LookPicture::As as;
    Kind kind;
    const char* says;
  };
  for (const Case& c :
       {Case{LookPicture::AS_PLATE, PREMULTIPLIED, "`behind`"}, Case{LookPicture::AS_WIPE, OPAQUE, "`behind`"},
        Case{LookPicture::AS_BLACK, MATTE, "`color`"}, Case{LookPicture::AS_CHECKER, MATTE, "`color`"}}) {
    LookPicture p;
    p.set_as(c.as);
    const auto bytes = FileOf("look_picture", p, kWindow, {MakeInput("in", MakePicture(c.kind, kWindow))});
    EXPECT_EQ(bytes.status().code(), absl::StatusCode::kInvalidArgument);
    EXPECT_THAT(std::string(bytes.status().message()), testing::HasSubstr(c.says));
  }
}

absl::StatusOr<std::string> Parts(const LookPicture& p, std::vector<Input> inputs) {
  return FileOf("look_picture", p, kWindow, std::move(inputs));
}

// Every pixel says where it is.
Picture Places() {
  Picture in = Solid(OPAQUE, kWindow, {0, 0, 0, 1});
  for (int c = 0; c < 2; ++c) {
    Plane plane(kWindow);
    for (int y = 0; y < 48; ++y) {
      for (int x = 0; x < 80; ++x) plane.at(x, y) = static_cast<float>(c == 0 ? x : y) / 100;
    }
    in.planes[c] = plane;
  }
  return in;
}

// Read back by OpenImageIO.
std::string WindowToldBy(const std::string& png) {
  return ReadBack("png", png).spec.get_string_attribute("selvage.window", "none").c_str();
}

TEST(LookPicture, TellsWhereItLiesIfThatIsNotTheFormat) {
  LookPicture p;
  p.set_as(LookPicture::AS_COLOR);
  EXPECT_EQ(WindowToldBy(*Parts(p, {MakeInput("in", Places())})), "none");
  p.mutable_crop()->set_x(30);
  p.mutable_crop()->set_y(-5);
  p.mutable_crop()->set_width(20);
  p.mutable_crop()->set_height(15);
  EXPECT_EQ(WindowToldBy(*Parts(p, {MakeInput("in", Places())})), "30 0 20 10");
}

TEST(LookPicture, ACropIsThatPartOfTheWholeAndZoomRepeatsItsPixels) {
  LookPicture p;
  p.set_as(LookPicture::AS_COLOR);
  const ReadBack whole("png", *Parts(p, {MakeInput("in", Places())}));
  p.mutable_crop()->set_x(30);
  p.mutable_crop()->set_y(-5);
  p.mutable_crop()->set_width(20);
  p.mutable_crop()->set_height(15);
  p.set_zoom(3);
  const ReadBack part("png", *Parts(p, {MakeInput("in", Places())}));
  // What lies above the picture is not shown.
  ASSERT_EQ(part.spec.width, 60);
  ASSERT_EQ(part.spec.height, 30);
  for (int y = 0; y < 30; ++y) {
    for (int x = 0; x < 60; ++x) {
      for (int c = 0; c < 3; ++c) ASSERT_EQ(part.At(x, y, c), whole.At(30 + x / 3, y / 3, c)) << x << " " << y;
    }
  }
  p.mutable_crop()->set_x(80);
  EXPECT_THAT(std::string(Parts(p, {MakeInput("in", Places())}).status().message()),
              testing::HasSubstr("lies outside the picture (x 0..80, y 0..48)"));
  p.clear_crop();
  p.set_zoom(64);
  EXPECT_TRUE(Parts(p, {MakeInput("in", Places())}).ok());
}

TEST(LookPicture, TheWipeStandsInThePartThatIsShown) {
  LookPicture p;
  p.set_as(LookPicture::AS_WIPE);
  p.mutable_wipe()->set_value(0.5);
  p.mutable_crop()->set_x(40);
  p.mutable_crop()->set_width(20);
  p.mutable_crop()->set_height(10);
  const ReadBack look("png", *Parts(p, {MakeInput("in", Solid(PREMULTIPLIED, kWindow, {1, 0, 0, 1})),
                                        MakeInput("behind", Solid(OPAQUE, kWindow, {0, 1, 0, 1}))}));
  ASSERT_EQ(look.spec.width, 20);
  EXPECT_EQ(look.At(9, 3, 0), 1);
  EXPECT_EQ(look.At(10, 3, 1), 1);
}

TEST(LookPicture, AnOutlineStandsWhereTheMattePassesOneHalf) {
  Plane box = Plane::Filled(kWindow, 0.0f);
  for (int y = 10; y < 20; ++y) {
    for (int x = 20; x < 40; ++x) box.at(x, y) = x == 20 ? 0.4f : 1.0f;
  }
  Picture matte = Solid(MATTE, kWindow, {0});
  matte.planes[0] = box;
  LookPicture p;
  p.set_as(LookPicture::AS_COLOR);
  const auto in = [&] {
    return std::vector<Input>{MakeInput("in", Solid(OPAQUE, kWindow, {kLight128, kLight128, kLight128, 1})),
                              MakeInput("outline", matte)};
  };
  for (const int zoom : {1, 4}) {
    p.set_zoom(static_cast<uint32_t>(zoom));
    const ReadBack look("png", *Parts(p, in()));
    const auto at = [&](int x, int y) {
      Codes3 codes;
      for (int c = 0; c < 3; ++c) codes.push_back(static_cast<int>(std::lround(look.At(x, y, c) * 255)));
      return codes;
    };
    // One pixel wide however large the picture's own are: 21..39 is inside.
    const int left = 21 * zoom, middle = 15 * zoom;
    EXPECT_EQ(at(left, middle), (Codes3{255, 176, 46})) << zoom;
    EXPECT_EQ(at(left - 1, middle), (Codes3{0, 0, 0})) << zoom;
    EXPECT_EQ(at(left - 2, middle), (Codes3{128, 128, 128})) << zoom;
    EXPECT_EQ(at(left + 1, middle), (Codes3{128, 128, 128})) << zoom;
    EXPECT_EQ(at(40 * zoom - 1, middle), (Codes3{255, 176, 46})) << zoom;
    EXPECT_EQ(at(30 * zoom, 10 * zoom), (Codes3{255, 176, 46})) << zoom;
  }
}

TEST(LookPicture, TheSameBytesEveryTime) {
  const auto once = [] {
    return Looked::Make(LookPicture::AS_CHECKER, {MakeInput("in", MakePicture(STRAIGHT, kWindow))}, 0.3, 33, 0.5);
  };
  EXPECT_EQ(once(), once());
}

}  // namespace
}  // namespace selvage::worker
