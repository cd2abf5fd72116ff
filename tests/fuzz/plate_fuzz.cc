// Picture files of any origin: looked at and decoded as a worker does, from a file.
#include <unistd.h>

#include <filesystem>
#include <fstream>

#include "proto/plate_channels.h"
#include "tests/fuzz/target.h"
#include "worker/files/plate_reader.h"

using namespace selvage;

namespace {

// A file of this process, in memory where that can be had. Its name says nothing of its type.
const std::string& Path() {
  static const auto* const path = [] {
    const std::string memory = "/dev/shm";
    const auto folder = ::access(memory.c_str(), W_OK) == 0 ? memory : std::filesystem::temp_directory_path().string();
    auto* const made = new std::string(folder + "/selvage-fuzz-" + std::to_string(::getpid()));
    std::atexit([] { std::filesystem::remove(Path()); });
    return made;
  }();
  return *path;
}

}  // namespace

FUZZ_TARGET(plate) {
  if (!(std::ofstream(Path(), std::ios::binary) << text)) return;
  const worker::PlateLimits limits{.decoded_bytes = 4 << 20};
  const auto facts = worker::InspectPlateFile(Path(), limits);
  if (!facts.ok()) {
    MUST(!facts.status().message().empty());
    return;
  }
  MUST(facts->size() == text.size());
  MUST(facts->part_size() > 0);
  PlateRead read;
  read.set_path(Path());
  read.set_digest(facts->digest());
  read.set_encoding(facts->encoding());
  read.set_alpha(Plate::NONE);
  for (int part = 0; part < facts->part_size(); ++part) {
    const Window& w = facts->part(part).data_window();
    MUST(w.width() >= 1 && w.height() >= 1);
    read.set_part(static_cast<uint32_t>(part));
    const auto plate = worker::ReadPlate(read, {0, 0, 16, 16}, limits);
    if (!plate.ok()) MUST(!plate.status().message().empty());
  }
}
