#include "client/ask.h"

#include <termios.h>
#include <unistd.h>

#include <cstdio>
#include <iostream>

#include "absl/strings/ascii.h"

namespace selvage::client {
namespace {

// Typed letters don't show while this is there.
class Hidden {
 public:
  Hidden() : hidden_(::tcgetattr(STDIN_FILENO, &before_) == 0) {
    if (!hidden_) return;
    termios now = before_;
    now.c_lflag &= ~static_cast<tcflag_t>(ECHO);
    ::tcsetattr(STDIN_FILENO, TCSAFLUSH, &now);
  }
  ~Hidden() {
    if (!hidden_) return;
    ::tcsetattr(STDIN_FILENO, TCSAFLUSH, &before_);
    std::fputc('\n', stderr);
  }
  Hidden(const Hidden&) = delete;
  Hidden& operator=(const Hidden&) = delete;

 private:
  termios before_{};
  const bool hidden_;
};

}  // namespace

bool AtTerminal() { return ::isatty(STDIN_FILENO) == 1; }

bool Confirm(const std::string& question) {
  std::fprintf(stderr, "%s ", question.c_str());
  std::string line;
  if (!std::getline(std::cin, line)) return false;
  const std::string word = absl::AsciiStrToLower(absl::StripAsciiWhitespace(line));
  return word == "y" || word == "yes";
}

absl::StatusOr<std::string> AskForSecret(const std::string& question) {
  if (AtTerminal()) std::fprintf(stderr, "%s ", question.c_str());
  const Hidden hidden;
  std::string line;
  if (!std::getline(std::cin, line)) return absl::InvalidArgumentError("nothing was given on standard input");
  return line;
}

}  // namespace selvage::client
