#include "tests/bench/quality/kept.h"

#include <filesystem>
#include <fstream>
#include <stdexcept>
#include <utility>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "proto/catalogue.h"

namespace selvage::quality {
namespace {

namespace fs = std::filesystem;

// Written beside and renamed: a run that is ended leaves no half of a file.
void Write(const std::string& path, const std::string& bytes) {
  const std::string beside = path + ".part";
  std::ofstream out(beside, std::ios::binary);
  out.write(bytes.data(), static_cast<std::streamsize>(bytes.size()));
  out.close();
  if (!out) throw std::runtime_error("cannot write " + beside);
  fs::rename(beside, path);
}

std::string BytesOf(const scene::Picture& picture) {
  return {reinterpret_cast<const char*>(picture.pixels.data()), picture.pixels.size() * sizeof(scene::Rgba)};
}

bool ReadPixels(std::istream& in, scene::Picture* picture) {
  return static_cast<bool>(in.read(reinterpret_cast<char*>(picture->pixels.data()),
                                   static_cast<std::streamsize>(picture->pixels.size() * sizeof(scene::Rgba))));
}

}  // namespace

std::string FileName(std::string name) {
  for (char& c : name) c = c == ' ' || c == ',' || c == ':' ? '_' : c;
  return name;
}

Kept::Kept(std::string folder) : folder_(std::move(folder)) {
  if (!folder_.empty()) fs::create_directories(folder_);
}

std::string Kept::PathOf(const Family& family, const std::string& what) const {
  return absl::StrCat(folder_, "/", FileName(family.name), ".drawing", kDrawingVersion, what);
}

std::string Kept::KeyPath(const Family& family) const {
  const auto revision = [](const char* name) { return FindOperator(name)->traits.revision(); };
  return PathOf(family, absl::StrCat(".plate", revision("screen_plate"), ".key", revision("color_difference")));
}

std::vector<Frame> Kept::Frames(const Family& family, const std::string& cut_outs) const {
  const size_t pixels = static_cast<size_t>(WidthOf(family)) * HeightOf(family);
  const std::string path = PathOf(family, ".frames");
  std::vector<Frame> frames;
  std::error_code error;
  if (!folder_.empty() && fs::file_size(path, error) == kFrames * 2 * pixels * sizeof(scene::Rgba) && !error) {
    std::ifstream in(path, std::ios::binary);
    for (int i = 0; i < kFrames; ++i) {
      const scene::Picture empty(WidthOf(family), HeightOf(family));
      frames.push_back({empty, empty});
      if (!ReadPixels(in, &frames.back().plate) || !ReadPixels(in, &frames.back().truth)) {
        throw std::runtime_error("cannot read " + path);
      }
    }
    return frames;
  }
  std::string bytes;
  for (int i = 0; i < kFrames; ++i) {
    frames.push_back(Draw(family, i, cut_outs));
    if (!folder_.empty()) absl::StrAppend(&bytes, BytesOf(frames.back().plate), BytesOf(frames.back().truth));
  }
  if (!folder_.empty()) Write(path, bytes);
  return frames;
}

std::optional<Key> Kept::FindKey(const Family& family) const {
  if (folder_.empty()) return std::nullopt;
  std::ifstream in(KeyPath(family));
  Key key;
  if (!(in >> key.black >> key.white >> key.error)) return std::nullopt;
  in.get();
  std::getline(in, key.params);
  return key.params.empty() ? std::nullopt : std::optional<Key>(key);
}

void Kept::KeepKey(const Family& family, const Key& key) const {
  if (folder_.empty()) return;
  Write(KeyPath(family), absl::StrFormat("%.9g %.9g %.17g %s\n", key.black, key.white, key.error, key.params));
}

}  // namespace selvage::quality
