#include "client/report/report_csv.h"

#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_replace.h"

namespace selvage::client {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::Message;

std::string Cell(const std::string& text) {
  if (text.find_first_of(",\"\r\n") == std::string::npos) return text;
  return absl::StrCat("\"", absl::StrReplaceAll(text, {{"\"", "\"\""}}), "\"");
}

// Where a part is goes into columns of its own: largest_hole_x.
void AddNames(const google::protobuf::Descriptor& of, const std::string& before, std::vector<std::string>* names) {
  for (int i = 0; i < of.field_count(); ++i) {
    const FieldDescriptor& field = *of.field(i);
    if (field.message_type() != nullptr) {
      AddNames(*field.message_type(), absl::StrCat(before, field.name(), "_"), names);
    } else {
      names->push_back(before + field.name());
    }
  }
}

std::string Number(const Message& of, const FieldDescriptor& field) {
  const auto& reflection = *of.GetReflection();
  switch (field.cpp_type()) {
    case FieldDescriptor::CPPTYPE_DOUBLE:
      return absl::StrFormat("%.9g", reflection.GetDouble(of, &field));
    case FieldDescriptor::CPPTYPE_UINT64:
      return absl::StrCat(reflection.GetUInt64(of, &field));
    case FieldDescriptor::CPPTYPE_UINT32:
      return absl::StrCat(reflection.GetUInt32(of, &field));
    case FieldDescriptor::CPPTYPE_INT32:
      return absl::StrCat(reflection.GetInt32(of, &field));
    default:
      return "";
  }
}

void AddCells(const Message& of, bool known, std::vector<std::string>* cells) {
  const auto& reflection = *of.GetReflection();
  for (int i = 0; i < of.GetDescriptor()->field_count(); ++i) {
    const FieldDescriptor& field = *of.GetDescriptor()->field(i);
    const bool here = known && (!field.has_presence() || reflection.HasField(of, &field));
    if (field.message_type() != nullptr) {
      AddCells(reflection.GetMessage(of, &field), here, cells);
    } else {
      cells->push_back(here ? Number(of, field) : "");
    }
  }
}

}  // namespace

std::string ReportCsv(const ShotReport& report) {
  std::vector<std::string> names = {"pass", "frame"};
  AddNames(*MatteFigures::descriptor(), "", &names);
  std::string text = absl::StrCat(absl::StrJoin(names, ","), "\r\n");
  for (const PassReport& pass : report.pass()) {
    for (const PassReport::Frame& frame : pass.frame()) {
      std::vector<std::string> cells = {Cell(pass.pass()), absl::StrCat(frame.frame())};
      AddCells(frame.figures(), true, &cells);
      absl::StrAppend(&text, absl::StrJoin(cells, ","), "\r\n");
    }
  }
  return text;
}

}  // namespace selvage::client
