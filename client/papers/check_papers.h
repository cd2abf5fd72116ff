// Whether the files of a delivery are still what its papers say.
#pragma once

#include <cstdint>
#include <functional>
#include <string>
#include <vector>

#include "proto/papers.pb.h"

namespace selvage::client {

struct PapersCheck {
  struct Difference {
    // "missing", "changed", "unreadable" or "extra".
    const char* what;
    // As the papers have it: relative of a delivered file, absolute of a source.
    std::string path;
    bool source = false;
    int frame = 0;
  };
  // Delivered files by frame, then extra ones, then sources.
  std::vector<Difference> differences;
  // As they were when they were delivered.
  size_t files_alike = 0, sources_alike = 0;
  // Sources were looked at.
  bool with_sources = false;
};

// Reads all files, several at once. `papers_path` tells the folder. Extra is a file in a folder
// of delivered ones that is called like one of them, with another number, and is not in the
// papers. `progress` is told now and then how many files have been read, from any thread.
PapersCheck CheckPapers(const std::string& papers_path, const DeliveryPapers& papers, bool with_sources,
                        const std::function<void(size_t done, size_t of)>& progress);

// What differs, a line a file as far as there is room, then one line that sums it up.
std::string InWords(const std::string& papers_path, const DeliveryPapers& papers, const PapersCheck& check);
// The same for other programs.
std::string JsonOf(const std::string& papers_path, const DeliveryPapers& papers, const PapersCheck& check);

}  // namespace selvage::client
