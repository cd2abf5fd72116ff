#include "client/language/descriptions.h"

#include <vector>

#include "absl/strings/str_join.h"
#include "absl/strings/str_split.h"
#include "google/protobuf/descriptor.pb.h"

extern "C" const char selvage_descriptors_begin[];
extern "C" const char selvage_descriptors_end[];

namespace selvage::client {
namespace {

using google::protobuf::DescriptorPool;

// The generated code has no comments; the embedded descriptor set has.
const DescriptorPool& CommentedPool() {
  static const DescriptorPool* const pool = [] {
    auto* out = new DescriptorPool;
    google::protobuf::FileDescriptorSet set;
    set.ParseFromArray(selvage_descriptors_begin,
                       static_cast<int>(selvage_descriptors_end - selvage_descriptors_begin));
    for (const auto& file : set.file()) out->BuildFile(file);
    return out;
  }();
  return *pool;
}

template <class D>
std::string CommentOf(const D* commented) {
  google::protobuf::SourceLocation place;
  if (commented == nullptr || !commented->GetSourceLocation(&place)) return "";
  const std::string text = place.leading_comments.empty() ? place.trailing_comments : place.leading_comments;
  std::vector<std::string> lines = absl::StrSplit(text, '\n');
  for (std::string& line : lines) {
    if (!line.empty() && line[0] == ' ') line.erase(0, 1);
  }
  while (!lines.empty() && lines.back().empty()) lines.pop_back();
  return absl::StrJoin(lines, "\n");
}

}  // namespace

std::string DescriptionOf(const google::protobuf::Descriptor* message) {
  return CommentOf(CommentedPool().FindMessageTypeByName(message->full_name()));
}
std::string DescriptionOf(const google::protobuf::FieldDescriptor* field) {
  return CommentOf(CommentedPool().FindFieldByName(field->full_name()));
}
std::string DescriptionOf(const google::protobuf::EnumDescriptor* type) {
  return CommentOf(CommentedPool().FindEnumTypeByName(type->full_name()));
}
std::string DescriptionOf(const google::protobuf::EnumValueDescriptor* value) {
  return CommentOf(CommentedPool().FindEnumValueByName(value->full_name()));
}

std::string FirstSentence(const std::string& text) {
  std::string flat = text;
  for (char& c : flat) {
    if (c == '\n') c = ' ';
  }
  for (size_t i = 0; i + 1 < flat.size(); ++i) {
    if ((flat[i] == '.' || flat[i] == ':') && flat[i + 1] == ' ') return flat.substr(0, i);
  }
  while (!flat.empty() && flat.back() == '.') flat.pop_back();
  return flat;
}

}  // namespace selvage::client
