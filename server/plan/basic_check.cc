#include "server/plan/basic_check.h"

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "server/plan/words.h"

namespace selvage::plan {
namespace {

constexpr size_t kMaxName = 64;

bool IsName(const std::string& name) {
  if (name.empty() || name.size() > kMaxName) return false;
  for (char c : name) {
    if (!absl::ascii_isalnum(static_cast<unsigned char>(c)) && c != '_' && c != '-' && c != '.') return false;
  }
  // Names may become parts of file names.
  return name[0] != '.' && name[0] != '-';
}

}  // namespace

Place PlaceOf(const char* list, int index, const std::string& name) {
  return {absl::StrCat(list, "[", index, "]"),
          name.empty() ? absl::StrCat(list, " ", index + 1) : absl::StrCat(list, " ", Quoted(name))};
}

bool CheckName(const Place& at, const std::string& name, Faults* faults) {
  if (IsName(name)) return true;
  const Place here = at.Field("name");
  if (name.empty()) {
    faults->Add(at.path.empty() ? "name" : at.path,
                absl::StrCat(at.words.empty() ? "the stack" : at.words, ": needs a name"));
  } else {
    faults->Add(here.path, absl::StrCat(at.words.empty() ? absl::StrCat("name ", Quoted(name)) : at.words,
                                        ": a name may have up to ", kMaxName,
                                        " letters, digits, _ - or . and begins with a letter, a digit or _"));
  }
  return false;
}

bool CheckFrames(const Place& at, bool given, const FrameRange& range, const Limits& limits, Faults* faults) {
  if (!given) {
    faults->Add(at.path, absl::StrCat(at.words, ": missing, set `first` and `last`"));
    return false;
  }
  for (int32_t f : {range.first(), range.last()}) {
    if (f < -kMaxFrame || f > kMaxFrame) {
      faults->Add(at.path,
                  absl::StrCat(at.words, ": ", f, " is out of range, allowed ", -kMaxFrame, " to ", kMaxFrame));
      return false;
    }
  }
  if (range.last() < range.first()) {
    faults->Add(at.path, absl::StrCat(at.words, ": last ", range.last(), " is before first ", range.first()));
    return false;
  }
  const int64_t count = int64_t{range.last()} - range.first() + 1;
  if (count > limits.frames) {
    faults->Add(at.path, absl::StrCat(at.words, ": ", range.first(), " to ", range.last(), " is ", Grouped(count),
                                      " frames, allowed are ", Grouped(limits.frames)));
    return false;
  }
  return true;
}

}  // namespace selvage::plan
