#include "client/shots.h"

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <optional>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_split.h"
#include "absl/strings/strip.h"
#include "client/frames.h"
#include "client/language/assign.h"
#include "google/protobuf/io/tokenizer.h"
#include "google/protobuf/text_format.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

constexpr size_t kMostBytes = 4u << 20, kMostShots = 1000;
constexpr absl::string_view kPlateColumn = "plate:";

struct CsvLine {
  int number = 0;
  std::vector<std::string> cells;
};

// RFC 4180: cells in quotes may hold commas, lines and doubled quotes.
std::vector<CsvLine> ReadCsv(const std::string& text) {
  std::vector<CsvLine> lines;
  CsvLine line{1, {""}};
  bool quoted = false, any = false;
  int number = 1;
  const auto end_line = [&] {
    if (any || line.cells.size() > 1) lines.push_back(std::move(line));
    line = CsvLine{number, {""}};
    any = false;
  };
  for (size_t i = 0; i < text.size(); ++i) {
    const char c = text[i];
    number += c == '\n';
    if (quoted) {
      if (c != '"') {
        line.cells.back() += c;
      } else if (i + 1 < text.size() && text[i + 1] == '"') {
        line.cells.back() += text[++i];
      } else {
        quoted = false;
      }
    } else if (c == '"' && line.cells.back().empty()) {
      quoted = any = true;
    } else if (c == ',') {
      line.cells.emplace_back();
    } else if (c == '\n') {
      end_line();
    } else if (c != '\r') {
      line.cells.back() += c;
      any = true;
    }
  }
  end_line();
  return lines;
}

absl::Status FillShot(const std::vector<std::string>& header, const CsvLine& line, ShotList::Shot* shot) {
  if (line.cells.size() > header.size()) {
    return absl::InvalidArgumentError(
        absl::StrCat(line.cells.size(), " cells, but the header names ", header.size(), " columns"));
  }
  for (size_t i = 0; i < line.cells.size(); ++i) {
    const std::string cell(absl::StripAsciiWhitespace(line.cells[i]));
    if (cell.empty()) continue;
    if (header[i] == "name") {
      shot->set_name(cell);
    } else if (header[i] == "frames") {
      ASSIGN_OR_RETURN(const Frames frames, ParseFrames(cell));
      shot->mutable_frames()->set_first(frames.first);
      shot->mutable_frames()->set_last(frames.last);
    } else if (absl::StartsWith(header[i], kPlateColumn)) {
      ShotList::ShotPlate* plate = shot->add_plate();
      plate->set_name(header[i].substr(kPlateColumn.size()));
      plate->set_files(cell);
    } else {
      shot->add_set(absl::StrCat(header[i], "=", cell));
    }
  }
  return absl::OkStatus();
}

absl::StatusOr<std::vector<ListedShot>> ShotsOfCsv(const std::string& path, const std::string& text) {
  const std::vector<CsvLine> lines = ReadCsv(text);
  if (lines.empty()) return absl::InvalidArgumentError(absl::StrCat(path, ": is empty"));
  std::vector<std::string> header;
  for (const std::string& cell : lines.front().cells) header.emplace_back(absl::StripAsciiWhitespace(cell));
  if (std::find(header.begin(), header.end(), "name") == header.end()) {
    return absl::InvalidArgumentError(
        absl::StrCat(path, ":", lines.front().number,
                     ": the first line names the columns: name, frames, plate:NAME, and paths as with --set"));
  }
  std::vector<ListedShot> shots;
  for (size_t i = 1; i < lines.size(); ++i) {
    ListedShot& listed = shots.emplace_back();
    listed.where = absl::StrCat(path, ":", lines[i].number);
    listed.fault = FillShot(header, lines[i], &listed.shot);
  }
  return shots;
}

class FirstFault final : public google::protobuf::io::ErrorCollector {
 public:
  void AddError(int line, int column, const std::string& message) override {
    if (text.empty()) text = absl::StrCat(line + 1, ":", column + 1, ": ", message);
  }
  void AddWarning(int, int, const std::string&) override {}
  std::string text;
};

absl::StatusOr<std::vector<ListedShot>> ShotsOfText(const std::string& path, const std::string& text) {
  ShotList list;
  FirstFault fault;
  google::protobuf::TextFormat::ParseInfoTree places;
  google::protobuf::TextFormat::Parser parser;
  parser.RecordErrorsTo(&fault);
  parser.WriteLocationsTo(&places);
  if (!parser.ParseFromString(text, &list)) return absl::InvalidArgumentError(absl::StrCat(path, ":", fault.text));
  std::vector<ListedShot> shots;
  const auto* field = ShotList::descriptor()->FindFieldByName("shot");
  for (int i = 0; i < list.shot_size(); ++i) {
    shots.push_back({list.shot(i), absl::StrCat(path, ":", places.GetLocation(field, i).line + 1), absl::OkStatus()});
  }
  return shots;
}

}  // namespace

absl::StatusOr<std::vector<ListedShot>> ReadShots(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  const std::string text((std::istreambuf_iterator<char>(in)), std::istreambuf_iterator<char>());
  if (!in && !in.eof()) return absl::InvalidArgumentError(absl::StrCat(path, ": there is no such list of shots"));
  if (text.size() > kMostBytes) return absl::InvalidArgumentError(absl::StrCat(path, ": is too large, allowed 4 MiB"));
  ASSIGN_OR_RETURN(std::vector<ListedShot> shots,
                   absl::EndsWith(path, ".csv") ? ShotsOfCsv(path, text) : ShotsOfText(path, text));
  if (shots.empty()) return absl::InvalidArgumentError(absl::StrCat(path, ": names no shot"));
  if (shots.size() > kMostShots) {
    return absl::InvalidArgumentError(absl::StrCat(path, ": has ", shots.size(), " shots, allowed ", kMostShots));
  }
  for (size_t i = 0; i < shots.size(); ++i) {
    if (!shots[i].fault.ok()) continue;
    if (shots[i].shot.name().empty()) {
      shots[i].fault = absl::InvalidArgumentError("the shot needs a name");
      continue;
    }
    for (size_t k = 0; k < i; ++k) {
      if (shots[k].shot.name() != shots[i].shot.name()) continue;
      shots[i].fault = absl::InvalidArgumentError(
          absl::StrCat("shot \"", shots[i].shot.name(), "\" is listed before, at ", shots[k].where));
      break;
    }
  }
  return shots;
}

absl::StatusOr<Stack> StackOfShot(const Stack& stack, const ShotList::Shot& shot, const std::string& folder) {
  Stack out = stack;
  out.set_name(shot.name());
  if (shot.has_frames()) *out.mutable_frames() = shot.frames();
  for (const ShotList::ShotPlate& p : shot.plate()) {
    const auto plate = std::find_if(out.mutable_plate()->begin(), out.mutable_plate()->end(),
                                    [&](const Plate& of) { return of.name() == p.name(); });
    if (plate == out.mutable_plate()->end()) {
      return absl::InvalidArgumentError(absl::StrCat("the stack has no plate \"", p.name(), "\""));
    }
    const bool relative = !p.files().empty() && p.files()[0] != '/';
    plate->set_files(relative ? (std::filesystem::path(folder) / p.files()).lexically_normal().string() : p.files());
  }
  for (const std::string& set : shot.set()) RETURN_IF_ERROR(Assign(set, &out));
  return out;
}

}  // namespace selvage::client
