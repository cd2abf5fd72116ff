#include "client/loom/import_masks.h"

#include "absl/strings/str_cat.h"
#include "client/loom/json_reader.h"
#include "client/loom/stack_editor.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

JsonMembers Edit(const std::string& kind, const std::string& path) {
  JsonMembers edit;
  (*edit.mutable_fields())["kind"].set_string_value(kind);
  (*edit.mutable_fields())["path"].set_string_value(path);
  return edit;
}

JsonMembers Insert(const std::string& list, JsonValue value) {
  JsonMembers edit = Edit("insert", list);
  (*edit.mutable_fields())["value"] = std::move(value);
  return edit;
}

JsonValue KeyValue(const Mask::KeyFrame& key) {
  JsonValue value;
  auto& fields = *value.mutable_struct_value()->mutable_fields();
  fields["frame"].set_number_value(key.frame());
  fields["path"].set_string_value(key.path());
  return value;
}

JsonValue ShapeValue(const Mask::Shape& shape) {
  JsonValue value;
  auto& fields = *value.mutable_struct_value()->mutable_fields();
  if (shape.has_path()) fields["path"].set_string_value(shape.path());
  for (const auto& key : shape.at()) *fields["at"].mutable_list_value()->add_values() = KeyValue(key);
  if (shape.rule() == Mask::EVENODD) fields["rule"].set_string_value("EVENODD");
  return value;
}

absl::Status Redraw(const Mask& old, const Mask& mask, const std::string& path, StackEditor* editor) {
  for (int i = old.shape_size() - 1; i >= mask.shape_size(); --i) {
    RETURN_IF_ERROR(editor->Apply(Edit("reset", absl::StrCat(path, ".shape[", i, "]"))));
  }
  for (int i = 0; i < mask.shape_size(); ++i) {
    const std::string shape = absl::StrCat(path, ".shape[", i, "]");
    if (i >= old.shape_size()) {
      RETURN_IF_ERROR(editor->Apply(Insert(path + ".shape", ShapeValue(mask.shape(i)))));
      continue;
    }
    for (int k = old.shape(i).at_size() - 1; k >= 0; --k) {
      RETURN_IF_ERROR(editor->Apply(Edit("reset", absl::StrCat(shape, ".at[", k, "]"))));
    }
    if (mask.shape(i).has_path()) {
      JsonMembers set = Edit("set", shape + ".path");
      (*set.mutable_fields())["value"].set_string_value(mask.shape(i).path());
      RETURN_IF_ERROR(editor->Apply(set));
      continue;
    }
    RETURN_IF_ERROR(editor->Apply(Edit("reset", shape + ".path")));
    for (const auto& key : mask.shape(i).at()) {
      RETURN_IF_ERROR(editor->Apply(Insert(shape + ".at", KeyValue(key))));
    }
  }
  return absl::OkStatus();
}

}  // namespace

absl::StatusOr<std::string> WithMasks(const std::string& text, const Stack& stack, const std::vector<Mask>& masks,
                                      bool replace) {
  StackEditor editor(text);
  for (const Mask& mask : masks) {
    int there = 0;
    while (there < stack.mask_size() && stack.mask(there).name() != mask.name()) ++there;
    if (there < stack.mask_size()) {
      if (!replace) {
        return absl::AlreadyExistsError(absl::StrCat("the stack has a mask \"", mask.name(), "\" already"));
      }
      RETURN_IF_ERROR(Redraw(stack.mask(there), mask, absl::StrCat("mask[", there, "]"), &editor));
      continue;
    }
    JsonValue value;
    auto& fields = *value.mutable_struct_value()->mutable_fields();
    fields["name"].set_string_value(mask.name());
    for (const Mask::Shape& shape : mask.shape()) {
      *fields["shape"].mutable_list_value()->add_values() = ShapeValue(shape);
    }
    RETURN_IF_ERROR(editor.Apply(Insert("mask", std::move(value))));
  }
  return editor.text();
}

}  // namespace selvage::client
