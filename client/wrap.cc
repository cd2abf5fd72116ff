#include "client/wrap.h"

#include <algorithm>

#include "absl/strings/str_split.h"
#include "client/utf8.h"

namespace selvage::client {

std::string Wrap(const std::string& text, size_t width) {
  std::string out;
  bool first = true;
  for (absl::string_view line : absl::StrSplit(text, '\n')) {
    if (!first) out += '\n';
    first = false;
    const std::string indent(std::min(line.find_first_not_of(' '), line.size()), ' ');
    line.remove_prefix(indent.size());
    out += indent;
    size_t used = 0;
    for (absl::string_view word : absl::StrSplit(line, ' ')) {
      const size_t size = CharactersBefore(word, word.size());
      if (used > 0 && indent.size() + used + 1 + size > width) {
        out += '\n' + indent;
        used = 0;
      } else if (used > 0) {
        out += ' ';
        ++used;
      }
      out.append(word.data(), word.size());
      used += size;
    }
  }
  return out;
}

}  // namespace selvage::client
