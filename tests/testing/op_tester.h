// Runs any operator through the chain that renders tasks, on synthetic pictures,
// and checks the laws that hold for all operators:
//
//   OpTester("levels { black { value: 0.1 } }").CheckLaws();
//
// Inputs that the parameters name ("with", "mask", ...) are made up unless given,
// at all frames of the operator's window where they are read over it.
#pragma once

#include <gtest/gtest.h>

#include <memory>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "proto/step.pb.h"
#include "worker/chain/chain.h"

namespace selvage::worker {

// A step from text, defaults filled in as the planner does. Fails the test on a
// misspelt one.
Step MakeStep(const std::string& text);

// Something like a keyed shot: flat parts, hard and soft edges, grain; alpha and
// mattes reach exactly 0 and 1. The same for the same seed.
Picture MakePicture(Kind kind, const Rect& rect, uint32_t seed = 1);
Picture MakeConstant(Kind kind, const Rect& rect, float value);
// MakePicture with NaN, infinities, subnormals, huge and negative values and -0 strewn in.
Picture MakeBadPicture(Kind kind, const Rect& rect, uint32_t seed = 1);

// A whole picture as a source.
std::shared_ptr<Source> MakeSource(Picture picture, const Rect& window);

// Same rectangle, same bits; any NaN equals any other.
::testing::AssertionResult SameBits(const Picture& a, const Picture& b);
// A part of a picture.
Picture Crop(const Picture& picture, const Rect& rect);

class OpTester {
 public:
  // The main input is of the first kind that the operator takes; see Main.
  explicit OpTester(const std::string& step_text);

  OpTester& Main(Kind kind);
  OpTester& Main(Picture picture, int frame_offset = 0);
  OpTester& With(const std::string& port, Picture picture, int frame_offset = 0);
  OpTester& WithNumbers(const std::string& port, std::vector<float> numbers);
  OpTester& WithMeasured(const std::string& port, Measurement measured);
  // Window of the made-up inputs, and the format. Default: {-7, 3, 144, 99}.
  OpTester& Window(const Rect& window);

  // The result, whole or in part.
  Picture Render() const;
  absl::StatusOr<Picture> TryRender() const;
  absl::StatusOr<std::string> RenderBlob() const;
  // What the operator told the artist since the tester was made.
  const std::vector<std::string>& warnings() const { return *warnings_; }

  // Every check below, for every kind that the operator takes (only the given
  // one after Main).
  void CheckLaws() const;

  // Tiles of any size and origin put together are the whole frame, bit by bit.
  // Not asked of heavy operators: they have no tiles.
  void CheckTilesAreTheWhole() const;
  void CheckEveryTargetGivesTheSameBits() const;
  // Constant inputs give a constant (unless a pixel's place changes it), and
  // knowing that they are constant changes no bit.
  void CheckConstantStaysConstant() const;
  // NaN and infinity in: no crash, the same on every target, and what is stored
  // is finite. A pixel out of the operator's reach of them is not touched by them.
  void CheckBadSamples() const;
  void CheckEmptyRegion() const;
  // The result has the bits of the main input.
  void CheckIdentity() const;

 private:
  enum class Inputs { kUsual, kBad, kConstant, kConstantUnsaid };
  absl::StatusOr<std::unique_ptr<Chain>> MakeChain(Inputs inputs) const;
  Picture RenderWhole(Inputs inputs) const;
  Picture InputPicture(Kind kind, uint32_t seed, Inputs inputs) const;
  std::vector<OpTester> EveryKind() const;

  struct Given {
    std::string port;
    int frame_offset = 0;
    Picture picture;
    std::vector<float> numbers;
    std::shared_ptr<const Measurement> measured;
  };
  Step step_;
  Rect window_{-7, 3, 144, 99};
  Kind main_kind_ = KIND_UNSPECIFIED;
  bool kind_given_ = false;
  std::vector<Given> given_;
  std::shared_ptr<std::vector<std::string>> warnings_ = std::make_shared<std::vector<std::string>>();
};

}  // namespace selvage::worker
