// Drawn frames and searched keys of families, kept in a folder between runs: drawing them and
// searching takes minutes, keying them seconds.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "tests/bench/quality/families.h"

namespace selvage::quality {

// The single color_difference nearest to the truth.
struct Key {
  std::string params;
  float black = 0, white = 1;
  double error = 1e30;
};

class Kept {
 public:
  // "" keeps nothing. Throws std::exception where the folder cannot be made.
  explicit Kept(std::string folder);

  // Drawn, or as kept: the same bits. Throws std::exception.
  std::vector<Frame> Frames(const Family& family, const std::string& cut_outs) const;

  // nullopt where none is kept, or other operators made it.
  std::optional<Key> FindKey(const Family& family) const;
  void KeepKey(const Family& family, const Key& key) const;

 private:
  std::string PathOf(const Family& family, const std::string& what) const;
  std::string KeyPath(const Family& family) const;

  std::string folder_;
};

// A name as a file may have it.
std::string FileName(std::string name);

}  // namespace selvage::quality
