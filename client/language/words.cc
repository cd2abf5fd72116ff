#include "client/language/words.h"

#include "proto/stack.pb.h"

namespace selvage::client {
namespace {

constexpr char kStack[] = R"(name: "apiary_010"
frames { first: 1001 last: 1048 }
plate { name: "plate" files: "plates/apiary_010.%04d.exr" }
pass {
  name: "matte" from: "plate"                  # where it starts
  step { color_difference { screen { hue: GREEN } } }   # then one step after the other
  step { levels { black: 0.1 white: 0.9 } }
}
deliver { name: "matte" from: "matte" files: "out/matte.%04d.exr" })";

constexpr char kPlate[] = R"(plate {
  name: "plate"
  files: "plates/apiary_010.%04d.dpx"
  frames { first: 1001 last: 1048 }
  missing: HOLD
  encoding: printing_density
  alpha: NONE
})";

constexpr char kMask[] = R"(mask {
  name: "boots"
  shape { path: "M 812 700 C 840 690 930 690 960 705 L 970 820 L 800 820 Z" feather: 6 }
  shape { path: "M 860 740 L 900 740 L 900 780 Z" subtract: true }
  invert: false
})";

constexpr char kShape[] = R"(mask {
  name: "boots"
  shape {
    at { frame: 1001 path: "M 812 700 L 960 705 L 970 820 L 800 820 Z" }
    at { frame: 1020 path: "M 802 698 L 955 704 L 968 820 L 795 820 Z" }
    ease: SMOOTH
    feather { at { frame: 1001 value: 4 } at { frame: 1020 value: 9 } }
    opacity: 0.9
    rule: EVENODD
  }
})";

constexpr char kFollow[] = R"(mask {
  name: "boots"
  shape { at { frame: 1012 path: "M 812 700 L 960 705 L 970 820 L 800 820 Z" } }
  follow { picture: "plate" }
})";

constexpr char kTrack[] = R"(mask {
  name: "board"
  shape { path: "M 100 100 L 300 100 L 300 400 L 100 400 Z" }
  track {
    x { at { frame: 1001 value: 0 } at { frame: 1048 value: 240 } }
    y: -12
    rotate: 5
    scale: 1.05
    pivot_x: 200
    pivot_y: 250
  }
})";

constexpr char kShutter[] = R"(mask {
  name: "tool"
  shape {
    at { frame: 1001 path: "M 100 100 L 140 100 L 120 300 Z" }
    at { frame: 1004 path: "M 180 90 L 220 90 L 200 290 Z" }
  }
  shutter { degrees: 180 opens: -90 }
})";

constexpr char kPass[] = R"(pass {
  name: "core" from: "plate"
  step { color_difference { screen { hue: GREEN } } }
  step { choke { pixels: 2.5 } }
  keep: ALWAYS
  note: "solid inside, never at the edge"
})";

constexpr char kDeliver[] = R"(deliver {
  name: "comp"
  from: "front"
  files: "out/apiary_010.%04d.exr"
  encoding: linear
  compression: zips
  frames { first: 1010 last: 1020 }
  layer { name: "core" from: "matte" }
})";

constexpr char kNumber[] = R"(pass {
  name: "core" from: "matte"
  step { choke { pixels: 2.5 } }            # the same at every frame
  step {
    levels {
      black { value: 0.1 }                  # the same as black: 0.1
      white {                               # moves from 0.9 to 0.7
        at { frame: 1001 value: 0.9 }
        at { frame: 1020 value: 0.7 }
        ease: SMOOTH
      }
    }
  }
})";

constexpr char kColor[] = R"(pass {
  name: "warm" from: "plate"
  step { grade { gain: [1.1, 1, 0.9] } }    # red, green and blue, scene-linear
  step { grade { gain: 1.1 } }              # all three alike
  step { fill_color { color: "#7a5c3e" } }  # as on a web page
  step {
    grade {
      offset {
        at { frame: 1001 r: 0 g: 0 b: 0 }
        at { frame: 1020 r: 0.02 g: 0.01 b: 0 }
      }
    }
  }
})";

constexpr char kScreen[] = R"(pass { name: "a" from: "plate" step { color_difference { screen { hue: BLUE } } } }
pass { name: "b" from: "plate" step { color_difference { screen { color: [0.1, 0.5, 0.15] } } } }
pass {
  name: "c" from: "plate"
  step { color_difference { screen { sample { x: 40 y: 40 width: 64 height: 64 } } } }
}
pass { name: "d" from: "plate" step { color_difference { screen { clean_plate: "clean_plate" } } } })";

constexpr char kSample[] = R"(pass {
  name: "degrained" from: "plate"
  step { degrain { sample { x: 40 y: 40 width: 96 height: 96 frame: 1012 } } }
})";

}  // namespace

const std::vector<LanguageWord>& LanguageWords() {
  static const auto* const words = new std::vector<LanguageWord>{
      {"stack", {}, "the whole document: one shot", "", Stack::descriptor(), kStack},
      {"frames",
       {"frame", "range"},
       "a range of frames",
       "",
       FrameRange::descriptor(),
       "frames { first: 1001 last: 1048 }"},
      {"format",
       {"size", "resolution"},
       "size of the pictures",
       "",
       Format::descriptor(),
       "format { width: 1920 height: 1080 }"},
      {"plate", {"plates"}, "pictures that are read", "", Plate::descriptor(), kPlate},
      {"mask", {"masks"}, "drawn shapes", "", Mask::descriptor(), kMask},
      {"shape", {"shapes"}, "one outline of a mask", "", Mask::Shape::descriptor(), kShape},
      {"follow", {}, "shapes carried by the motion of a picture", "", Mask::Follow::descriptor(), kFollow},
      {"track", {}, "all shapes of a mask moved together", "", Mask::Track::descriptor(), kTrack},
      {"shutter", {}, "motion blur of a mask", "", Mask::Shutter::descriptor(), kShutter},
      {"pass", {"passes"}, "a named result: where it starts and its steps", "", Pass::descriptor(), kPass},
      {"step", {"steps"}, "one operator of a pass", "", Step::descriptor(), kPass},
      {"deliver", {"deliverable", "delivery"}, "files that are written", "", Deliverable::descriptor(), kDeliver},
      {"layer", {"layers"}, "a further pass in the same file", "", Deliverable::Layer::descriptor(), kDeliver},
      {"number",
       {"key frame", "keyframe", "animation"},
       "a number that can be animated",
       "Usually just the number: `black: 0.1`. With key frames it is animated.",
       Number::descriptor(),
       kNumber},
      {"colour",
       {"color"},
       "three numbers that can be animated",
       "Usually three numbers, one for all three, or a web colour: `color: [0.1, 0.6, 0.2]`, `gain: 1.1`,\n`color: "
       "\"#00b140\"` (sRGB, made linear). With key frames it is animated.",
       Color::descriptor(),
       kColor},
      {"screen", {}, "the colour of the screen", "", Screen::descriptor(), kScreen},
      {"sample", {"box", "sample box"}, "a box of the picture to measure in", "", SampleBox::descriptor(), kSample},
  };
  return *words;
}

}  // namespace selvage::client
