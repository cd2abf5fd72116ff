// Replays mutations of good stacks, paths, papers and headers of pictures through the fuzz target. A crash
// shows as the end of this program; SELVAGE_FUZZ_SEED=N alone runs seed N again.
#include <cstdint>
#include <cstdlib>
#include <fstream>
#include <random>
#include <sstream>
#include <string>
#include <vector>

#include "gtest/gtest.h"

extern "C" int LLVMFuzzerTestOneInput(const uint8_t* data, size_t size);

namespace {

constexpr int kRounds = 90'000;

std::vector<std::string> Beginnings() {
  std::vector<std::string> all = {
      "M 5 5 a1 1 0 01 10 10 C 1 2 3 4 5 6 S 1 2 3 4 Q 1 2 3 4 T 5 6 h1v2Zl-.5.5e1",
      R"(name: "s" frames { first: 1 last: 5 } plate { name: "p" files: "/p.%04d.exr" missing: HOLD frames { first: 2 last: 4 } }
         pass { name: "a" from: "p" step { degrain { window: 2 } } step { fill_color { sample { width: 9 height: 9 frame: 3 } } } }
         pass { name: "k" from: "a" step { chroma_range {} } step { levels { gamma { at { frame: 2 value: 0.5 } at { frame: 4 value: 2 } ease: SMOOTH } } } }
         deliver { name: "d" from: "a" files: "/o.%d.exr" layer { name: "k" from: "k" } })",
      R"(name: "f" frames { first: 1 last: 6 } format { width: 64 height: 48 } plate { name: "p" files: "/p.%d.exr" missing: HOLD }
         mask { name: "m" shape { at { frame: 2 path: "M0 0H9V9Z" } at { frame: 5 path: "M1 0H9V9Z" } ease: SMOOTH }
                shape { at { frame: 4 path: "M2 2h3v3z" } subtract: true } follow { picture: "a" } }
         pass { name: "a" from: "p" step { degrain {} } }
         pass { name: "k" from: "a" step { color_difference {} } step { within { mask: "m" } } step { steady { plate: "a" } } }
         deliver { name: "d" from: "k" files: "/o.%d.exr" })"};
  const std::string digest(64, 'a');
  all.push_back(R"({"format": 1, "stack_name": "s", "version": 2, "deliverable": "d", "made_by": "1",
 "source": [{"plate": "p", "frame": 1, "path": "/p.1.exr", "sha256": ")" +
                digest + R"("}],
 "file": [{"path": "o.1.exr", "frame": 1, "bytes": 99, "sha256": ")" +
                digest + R"(", "key": ")" + digest +
                R"(", "source": [0]}, {"path": "b/\u00e4.exr", "frame": -1, "bytes": 0, "sha256": ")" + digest +
                R"(", "key": "", "source": []}]})");
  // Headers as they begin: OpenEXR with a channel list, PNG, JPEG, TIFF, DPX.
  const auto bytes = [&](std::initializer_list<const char*> parts) {
    std::string text;
    for (const char* part : parts) {
      for (const char* c = part; *c != 0; ++c) text += *c == '~' ? '\0' : *c;
    }
    return text;
  };
  all.push_back(bytes({"\x76\x2f\x31\x01\x02~~~channels~chlist~\x25~~~B~\x01~~~~~~~\x01~~~\x01~~~",
                       "G~\x01~~~~~~~\x01~~~\x01~~~~compression~compression~\x01~~~\x03~"}));
  all.push_back(bytes({"\x89PNG\r\n\x1a\n~~~\x0dIHDR~~\x01~~~\x01~\x08\x02~~~"}));
  all.push_back(bytes({"\xff\xd8\xff\xe0~\x04JF\xff\xc0~\x11\x08~\x10~\x10\x03\x01\x22~"}));
  all.push_back(bytes({"II*~\x08~~~\x02~\x02\x01\x03~\x03~~~\x08~~~\x15\x01\x03~\x01~~~\x03~~~"}));
  all.push_back("SDPX" + std::string(800, '\0') + "2");
  std::ifstream in(std::string(SELVAGE_SOURCE_DIR) + "/tests/vectors/five_passes.stack");
  std::stringstream text;
  text << in.rdbuf();
  EXPECT_GT(text.str().size(), 500u);
  all.push_back(text.str());
  return all;
}

class Mutator {
 public:
  explicit Mutator(uint32_t seed) : random_(seed) {}

  std::string Mutate(std::string text) {
    for (int i = Below(4) + 1; i > 0 && !text.empty(); --i) {
      switch (Below(7)) {
        case 0:
          text[Below(text.size())] = static_cast<char>(Below(256));
          break;
        case 1:
          text.erase(Below(text.size()), Below(20) + 1);
          break;
        case 2:
          text.insert(Below(text.size()), text.substr(Below(text.size()), Below(60)));
          break;
        case 3:
        case 4:
          SwapWord(&text, "0123456789.-",
                   {"0", "-1", "1e308", "nan", "inf", "-0.0", "2147483647", "-2147483648", "0.5", "99"});
          break;
        case 5:
          SwapWord(&text, "abcdefghijklmnopqrstuvwxyz_",
                   {"core",    "clean", "feet",  "body",   "final",     "boots",       "plate", "meadow",
                    "a",       "k",     "p",     "levels", "composite", "premultiply", "flood", "soften",
                    "degrain", "patch", "value", "at",     "sample",    "color"});
          break;
        default:
          text.resize(Below(text.size()) + 1);
      }
    }
    return text;
  }

 private:
  size_t Below(size_t n) { return random_() % n; }

  // Replaces one run of these letters.
  void SwapWord(std::string* text, const char* letters, const std::vector<std::string>& words) {
    const size_t at = text->find_first_of(letters, Below(text->size()));
    if (at == std::string::npos) return;
    const size_t end = text->find_first_not_of(letters, at);
    text->replace(at, end == std::string::npos ? std::string::npos : end - at, words[Below(words.size())]);
  }

  std::mt19937 random_;
};

void RunSeed(uint32_t seed, const std::vector<std::string>& beginnings) {
  const std::string text = Mutator(seed).Mutate(beginnings[seed % beginnings.size()]);
  LLVMFuzzerTestOneInput(reinterpret_cast<const uint8_t*>(text.data()), text.size());
}

TEST(Fuzz, MutatedInputsAreAnswersNotAccidents) {
  const auto beginnings = Beginnings();
  if (const char* one = std::getenv("SELVAGE_FUZZ_SEED")) {
    RunSeed(static_cast<uint32_t>(std::atoi(one)), beginnings);
    return;
  }
  for (int seed = 0; seed < kRounds; ++seed) RunSeed(static_cast<uint32_t>(seed), beginnings);
}

TEST(Fuzz, GoodInputIsGood) {
  for (const std::string& text : Beginnings()) {
    EXPECT_EQ(LLVMFuzzerTestOneInput(reinterpret_cast<const uint8_t*>(text.data()), text.size()), 0);
  }
}

}  // namespace
