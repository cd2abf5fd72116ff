#include "client/report/report_csv.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <map>
#include <vector>

#include "absl/strings/str_split.h"

namespace selvage::client {
namespace {

// RFC 4180, as far as no cell of ours holds a line break.
std::vector<std::string> CellsOf(const std::string& line) {
  std::vector<std::string> cells(1);
  bool quoted = false;
  for (size_t i = 0; i < line.size(); ++i) {
    if (quoted && line[i] == '"' && i + 1 < line.size() && line[i + 1] == '"') {
      cells.back() += line[++i];
    } else if (line[i] == '"') {
      quoted = !quoted;
    } else if (line[i] == ',' && !quoted) {
      cells.emplace_back();
    } else {
      cells.back() += line[i];
    }
  }
  return cells;
}

std::vector<std::map<std::string, std::string>> Rows(const std::string& text) {
  std::vector<std::string> lines = absl::StrSplit(text, "\r\n");
  EXPECT_EQ(lines.back(), "") << "the last line ends, too";
  lines.pop_back();
  const std::vector<std::string> names = CellsOf(lines.at(0));
  std::vector<std::map<std::string, std::string>> rows;
  for (size_t r = 1; r < lines.size(); ++r) {
    const std::vector<std::string> cells = CellsOf(lines[r]);
    EXPECT_EQ(cells.size(), names.size()) << lines[r];
    auto& row = rows.emplace_back();
    for (size_t i = 0; i < cells.size() && i < names.size(); ++i) row[names[i]] = cells[i];
  }
  return rows;
}

TEST(ReportCsv, EachPassAndFrameIsALine) {
  ShotReport report;
  PassReport* matte = report.add_pass();
  matte->set_pass("hair, \"left\"");
  PassReport::Frame* frame = matte->add_frame();
  frame->set_frame(-3);
  frame->mutable_figures()->set_hole_pixels(12);
  frame->mutable_figures()->mutable_largest_hole()->set_x(-7);
  frame->mutable_figures()->set_flicker(0.0625);
  matte->add_frame()->set_frame(-2);
  report.add_pass()->set_pass("nothing");

  const auto rows = Rows(ReportCsv(report));
  ASSERT_EQ(rows.size(), 2u);
  EXPECT_EQ(rows[0].at("pass"), "hair, \"left\"");
  EXPECT_EQ(rows[0].at("frame"), "-3");
  EXPECT_EQ(rows[0].at("hole_pixels"), "12");
  EXPECT_EQ(rows[0].at("largest_hole_x"), "-7");
  EXPECT_EQ(rows[0].at("flicker"), "0.0625");
  EXPECT_EQ(rows[0].at("jump"), "") << "not measured";
  EXPECT_EQ(rows[1].at("holes"), "0");
  EXPECT_EQ(rows[1].at("largest_hole_x"), "") << "there is none";
}

}  // namespace
}  // namespace selvage::client
