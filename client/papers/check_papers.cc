#include "client/papers/check_papers.h"

#include <algorithm>
#include <atomic>
#include <filesystem>
#include <map>
#include <set>
#include <tuple>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "client/file_digest.h"
#include "client/json.h"
#include "client/looking.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;

constexpr size_t kMostShown = 40;

// A file as it should be.
struct ToCheck {
  std::string path, shown, sha256;
  int frame = 0;
  bool source = false;
  // Not known of a source.
  uint64_t bytes = 0;
};

// nullptr: all is well.
const char* WhatDiffers(const ToCheck& file) {
  std::error_code error;
  const auto status = fs::status(file.path, error);
  if (!fs::exists(status)) return "missing";
  if (!fs::is_regular_file(status)) return "unreadable";
  const auto size = fs::file_size(file.path, error);
  if (error) return "unreadable";
  if (!file.source && size != file.bytes) return "changed";
  const auto digest = DigestOfFile(file.path);
  if (!digest.ok()) return "unreadable";
  return digest->Hex() == file.sha256 ? nullptr : "changed";
}

// What a name is but for its last number: what comes before and after. Names without a
// number have none like them.
struct NameShape {
  std::string before, after;
  auto operator<=>(const NameShape&) const = default;
};
bool ShapeOf(const std::string& name, NameShape* shape, std::string* number) {
  const auto is_digit = [&](size_t i) { return absl::ascii_isdigit(static_cast<unsigned char>(name[i])); };
  // The number of a type (.jp2) is no frame.
  const size_t dot = name.rfind('.');
  size_t end = dot == std::string::npos ? name.size() : dot;
  while (end > 0 && !is_digit(end - 1)) --end;
  size_t begin = end;
  while (begin > 0 && is_digit(begin - 1)) --begin;
  if (begin == end) return false;
  *shape = {name.substr(0, begin), name.substr(end)};
  *number = name.substr(begin, end - begin);
  return true;
}

// Relative to the folder of the papers, in order.
std::vector<std::string> ExtraFiles(const fs::path& folder, const DeliveryPapers& papers) {
  std::set<std::string> known;
  std::map<std::string, std::set<NameShape>> shapes;
  NameShape shape;
  std::string number;
  for (const DeliveryPapers::File& file : papers.file()) {
    const fs::path path = fs::path(file.path()).lexically_normal();
    known.insert(path.string());
    if (ShapeOf(path.filename().string(), &shape, &number)) shapes[path.parent_path().string()].insert(shape);
  }
  std::vector<std::string> extra;
  for (const auto& [below, like] : shapes) {
    std::error_code error;
    for (fs::directory_iterator entry(folder / below, error), end; !error && entry != end; entry.increment(error)) {
      const std::string name = entry->path().filename().string();
      std::error_code ignored;
      if (!ShapeOf(name, &shape, &number) || !like.contains(shape) || !entry->is_regular_file(ignored)) continue;
      const std::string path = (fs::path(below) / name).string();
      if (!known.contains(path)) extra.push_back(path);
    }
  }
  std::sort(extra.begin(), extra.end());
  return extra;
}

std::string FilesInWords(size_t count, const char* what) {
  return absl::StrCat(count, " ", what, count == 1 ? "" : "s");
}

}  // namespace

PapersCheck CheckPapers(const std::string& papers_path, const DeliveryPapers& papers, bool with_sources,
                        const std::function<void(size_t done, size_t of)>& progress) {
  const fs::path folder = fs::absolute(papers_path).parent_path();
  std::vector<ToCheck> all;
  for (const DeliveryPapers::File& file : papers.file()) {
    all.push_back({(folder / file.path()).string(), file.path(), file.sha256(), file.frame(), false, file.bytes()});
  }
  if (with_sources) {
    for (const DeliveryPapers::Source& s : papers.source()) {
      all.push_back({s.path(), s.path(), s.sha256(), s.frame(), true, 0});
    }
  }
  std::vector<const char*> found(all.size(), nullptr);
  std::atomic<size_t> done{0};
  (void)ForFrames({0, static_cast<int>(all.size()) - 1}, [&](int i) {
    found[static_cast<size_t>(i)] = WhatDiffers(all[static_cast<size_t>(i)]);
    progress(++done, all.size());
    return absl::OkStatus();
  });
  PapersCheck check;
  check.with_sources = with_sources;
  std::vector<PapersCheck::Difference> of_sources;
  for (size_t i = 0; i < all.size(); ++i) {
    if (found[i] == nullptr) {
      ++(all[i].source ? check.sources_alike : check.files_alike);
      continue;
    }
    (all[i].source ? of_sources : check.differences).push_back({found[i], all[i].shown, all[i].source, all[i].frame});
  }
  for (const std::string& path : ExtraFiles(folder, papers)) check.differences.push_back({"extra", path});
  check.differences.insert(check.differences.end(), of_sources.begin(), of_sources.end());
  return check;
}

std::string InWords(const std::string& papers_path, const DeliveryPapers& papers, const PapersCheck& check) {
  std::string text;
  std::map<std::pair<bool, std::string>, size_t> counts;
  size_t shown = 0;
  for (const PapersCheck::Difference& d : check.differences) {
    ++counts[{d.source, d.what}];
    if (++shown > kMostShown) continue;
    absl::StrAppend(&text, "  ", d.what, d.source ? " source: " : ": ", d.path, "\n");
  }
  if (shown > kMostShown) absl::StrAppend(&text, "  and ", shown - kMostShown, " more, which --json has, too\n");
  std::vector<std::string> parts;
  const auto add = [&](bool source) {
    for (const char* what : {"missing", "changed", "unreadable", "extra"}) {
      const auto count = counts.find({source, what});
      if (count != counts.end()) parts.push_back(absl::StrCat(count->second, " ", what));
    }
  };
  const std::string sum = absl::StrCat(papers_path, ": \"", papers.deliverable(), "\" of ", papers.stack_name(),
                                       ", version ", papers.version(), ": ");
  parts.push_back(absl::StrCat(check.files_alike, " of ", FilesInWords(papers.file_size(), "file"), " as delivered"));
  add(false);
  if (check.with_sources) {
    parts.push_back(
        absl::StrCat(check.sources_alike, " of ", FilesInWords(papers.source_size(), "source"), " unchanged"));
    add(true);
  }
  return absl::StrCat(text, sum, absl::StrJoin(parts, ", "), "\n");
}

std::string JsonOf(const std::string& papers_path, const DeliveryPapers& papers, const PapersCheck& check) {
  JsonArray differences;
  for (const PapersCheck::Difference& d : check.differences) {
    JsonObject one;
    one.Add("what", JsonText(d.what)).Add("path", JsonText(d.path)).Add("source", d.source ? "true" : "false");
    differences.Add(one.text());
  }
  return JsonObject()
      .Add("papers", JsonText(papers_path))
      .Add("stack_name", JsonText(papers.stack_name()))
      .Add("version", absl::StrCat(papers.version()))
      .Add("deliverable", JsonText(papers.deliverable()))
      .Add("files", absl::StrCat(papers.file_size()))
      .Add("files_alike", absl::StrCat(check.files_alike))
      .Add("sources", absl::StrCat(check.with_sources ? papers.source_size() : 0))
      .Add("sources_alike", absl::StrCat(check.sources_alike))
      .Add("difference", differences.text())
      .text();
}

}  // namespace selvage::client
