// Plays the corpus to each target, and mutations of it from fixed seeds. A crash shows as the
// end of this program; SELVAGE_FUZZ_SEED=N runs seed N of each target alone.
#include <algorithm>
#include <cstdint>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <map>
#include <random>
#include <sstream>
#include <string>
#include <vector>

#include "gtest/gtest.h"
#include "tests/fuzz/target.h"

namespace selvage::fuzz {
namespace {

namespace fs = std::filesystem;

// Mutations of each target: what opens files takes longer.
int RoundsOf(const std::string& target) {
  static const std::map<std::string, int> rounds = {{"stack", 30'000}, {"plate", 3'000}};
  const auto found = rounds.find(target);
  return found == rounds.end() ? 20'000 : found->second;
}

std::string Read(const fs::path& path) {
  std::ifstream in(path, std::ios::binary);
  std::stringstream bytes;
  bytes << in.rdbuf();
  return bytes.str();
}

// What lies in the target's folder, by name, so that a seed is the same everywhere.
std::map<std::string, std::string> CorpusOf(const std::string& target) {
  std::map<std::string, std::string> corpus;
  for (const auto& entry : fs::directory_iterator(fs::path(SELVAGE_SOURCE_DIR) / "tests/fuzz/corpus" / target)) {
    corpus[entry.path().filename().string()] = Read(entry.path());
  }
  // A whole stack with everything that stacks have.
  if (target == "stack" || target == "short_forms") {
    corpus["five_passes"] = Read(fs::path(SELVAGE_SOURCE_DIR) / "tests/vectors/five_passes.stack");
  }
  return corpus;
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

class Fuzz : public testing::TestWithParam<std::string> {
 protected:
  const Target& target() const {
    return *std::find_if(Targets().begin(), Targets().end(), [](const Target& t) { return t.name == GetParam(); });
  }
};

TEST_P(Fuzz, TheCorpusIsAnsweredNotAccidents) {
  const auto corpus = CorpusOf(GetParam());
  EXPECT_FALSE(corpus.empty());
  for (const auto& [name, text] : corpus) {
    SCOPED_TRACE(name);
    target().run(text);
  }
}

TEST_P(Fuzz, MutationsOfTheCorpusAreAnsweredToo) {
  std::vector<std::string> beginnings;
  for (const auto& [name, text] : CorpusOf(GetParam())) {
    if (!text.empty()) beginnings.push_back(text);
  }
  ASSERT_FALSE(beginnings.empty());
  const char* one = std::getenv("SELVAGE_FUZZ_SEED");
  const int first = one != nullptr ? std::atoi(one) : 0, end = one != nullptr ? first + 1 : RoundsOf(GetParam());
  for (int seed = first; seed < end; ++seed) {
    const std::string& from = beginnings[static_cast<size_t>(seed) % beginnings.size()];
    target().run(Mutator(static_cast<uint32_t>(seed)).Mutate(from));
  }
}

std::vector<std::string> Names() {
  std::vector<std::string> names;
  for (const Target& t : Targets()) names.push_back(t.name);
  std::sort(names.begin(), names.end());
  return names;
}

INSTANTIATE_TEST_SUITE_P(Targets, Fuzz, testing::ValuesIn(Names()), [](const auto& p) { return p.param; });

// A target that nobody linked in would be tested by nobody.
TEST(FuzzTargets, EveryCorpusHasItsTarget) {
  std::vector<std::string> folders;
  for (const auto& entry : fs::directory_iterator(fs::path(SELVAGE_SOURCE_DIR) / "tests/fuzz/corpus")) {
    folders.push_back(entry.path().filename().string());
  }
  std::sort(folders.begin(), folders.end());
  EXPECT_EQ(folders, Names());
}

}  // namespace
}  // namespace selvage::fuzz
