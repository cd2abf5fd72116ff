// What a shell offers when Tab is pressed: scripts for bash, zsh and fish, written from
// the same declarations as --help.
#pragma once

#include <string>
#include <vector>

namespace selvage::client {

struct CompletedOption {
  std::vector<std::string> names;  // "--frame", "-f"
  std::string help;
  bool takes_value = false;
  bool repeats = false;
  // Of a value: that it is a file or folder, or the words that it can be.
  bool file = false;
  std::vector<std::string> words;
};

struct CompletedCommand {
  // "" for `selvage` itself, "cache verify" for a command inside of another.
  std::string name, help;
  std::vector<CompletedOption> options;
  // Whether its positional arguments are files, or the words that they can be.
  bool files = false;
  std::vector<std::string> words;
  // Commands inside of it, by their last word.
  std::vector<std::string> inside;
};

// The script; all of `commands`, the one without a name first.
std::string BashCompletion(const std::vector<CompletedCommand>& commands);
std::string ZshCompletion(const std::vector<CompletedCommand>& commands);
std::string FishCompletion(const std::vector<CompletedCommand>& commands);

}  // namespace selvage::client
