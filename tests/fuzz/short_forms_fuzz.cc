// Short forms of values, written out before the text is parsed.
#include "proto/short_forms.h"

#include <algorithm>

#include "proto/stack.pb.h"
#include "tests/fuzz/target.h"

using namespace selvage;

FUZZ_TARGET(short_forms) {
  const std::string original(text);
  double rgb[3];
  if (ParseWebColor(original, rgb)) {
    for (double v : rgb) MUST(v >= 0 && v <= 1);
  }
  const auto expanded = ExpandShortForms(original, Stack::descriptor());
  if (!expanded.ok()) return;
  const auto lines = [](std::string_view s) { return std::count(s.begin(), s.end(), '\n'); };
  MUST(lines(expanded->text) == lines(text));
  MUST(expanded->original == original);
  size_t end = 0, old_end = 0;
  for (const Expanded::Edit& e : expanded->edits) {
    MUST(e.begin >= end && e.old_begin >= old_end);
    end = e.begin + e.size;
    old_end = e.old_begin + e.old_size;
  }
  MUST(end <= expanded->text.size() && old_end <= text.size());
  for (int line = 0; line <= lines(text) && line < 50; ++line) {
    for (const int column : {0, 7, 80}) MUST(expanded->Original({line, column}).line == line);
  }
  // What is written out has nothing left that would be.
  if (expanded->faults.empty()) {
    const auto again = ExpandShortForms(expanded->text, Stack::descriptor());
    MUST(again.ok() && again->text == expanded->text);
  }
}
