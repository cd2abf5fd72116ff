// Laws of edits, on every example of the manual: all operators, every way of writing a value.
#include <gtest/gtest.h>

#include "client/language/manual.h"
#include "client/language/stack_file.h"
#include "client/loom/stack_editor.h"
#include "client/loom/text_tree.h"
#include "google/protobuf/util/message_differencer.h"

namespace selvage::client {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::Message;
using google::protobuf::util::MessageDifferencer;

// The message that holds the field of this node.
Message* Holder(const TextTree& tree, int node, Stack* stack) {
  std::vector<int> way;
  for (int i = tree.node(node).place.parent; i > TextTree::kRoot; i = tree.node(i).place.parent) way.push_back(i);
  Message* message = stack;
  for (auto i = way.rbegin(); i != way.rend(); ++i) {
    const FieldPlace& place = tree.node(*i).place;
    message = place.field->is_repeated()
                  ? message->GetReflection()->MutableRepeatedMessage(message, place.field, place.index)
                  : message->GetReflection()->MutableMessage(message, place.field);
  }
  return message;
}

// Another value for the field: as the page would send it, and in the message. False for blocks.
bool Change(const FieldDescriptor* field, Message* holder, JsonValue* value) {
  const auto* reflection = holder->GetReflection();
  if (field->message_type() == Number::descriptor()) {
    auto* number = static_cast<Number*>(reflection->MutableMessage(holder, field));
    number->Clear();
    number->set_value(0.3125);
    value->set_number_value(0.3125);
    return true;
  }
  if (field->message_type() == Color::descriptor()) {
    auto* color = static_cast<Color*>(reflection->MutableMessage(holder, field));
    color->Clear();
    color->set_r(0.1);
    color->set_g(0.2);
    color->set_b(1e-5);
    for (const double v : {0.1, 0.2, 1e-5}) value->mutable_list_value()->add_values()->set_number_value(v);
    return true;
  }
  switch (field->cpp_type()) {
    case FieldDescriptor::CPPTYPE_STRING:
      // Paths are made absolute when they are read.
      if (field->name() == "files") return false;
      reflection->SetString(holder, field, "a \"b\" \\ \xc3\xa4");
      value->set_string_value("a \"b\" \\ \xc3\xa4");
      return true;
    case FieldDescriptor::CPPTYPE_BOOL:
      reflection->SetBool(holder, field, !reflection->GetBool(*holder, field));
      value->set_bool_value(reflection->GetBool(*holder, field));
      return true;
    case FieldDescriptor::CPPTYPE_ENUM: {
      const auto* type = field->enum_type();
      const auto* other = type->value((reflection->GetEnum(*holder, field)->index() + 1) % type->value_count());
      reflection->SetEnum(holder, field, other);
      value->set_string_value(other->name());
      return true;
    }
    case FieldDescriptor::CPPTYPE_INT32:
      reflection->SetInt32(holder, field, -7);
      value->set_number_value(-7);
      return true;
    case FieldDescriptor::CPPTYPE_UINT32:
      reflection->SetUInt32(holder, field, 7);
      value->set_number_value(7);
      return true;
    case FieldDescriptor::CPPTYPE_DOUBLE:
      reflection->SetDouble(holder, field, -0.1);
      value->set_number_value(-0.1);
      return true;
    default:
      return false;
  }
}

JsonMembers Edit(const std::string& kind, const std::string& path) {
  JsonMembers edit;
  (*edit.mutable_fields())["kind"].set_string_value(kind);
  (*edit.mutable_fields())["path"].set_string_value(path);
  return edit;
}

// Calls `check` with every field of every example.
void ForEveryField(const std::function<void(const StackFile&, const TextTree&, int, const std::string&)>& check) {
  int fields = 0;
  for (const auto& [name, text] : ManualExamples()) {
    const auto file = StackFile::Parse("t", text);
    ASSERT_TRUE(file.ok()) << name << ": " << file.status();
    const TextTree tree(file->text(), file->places());
    for (size_t i = 1; i < tree.size(); ++i, ++fields) {
      check(*file, tree, static_cast<int>(i), name + ", " + tree.PathOf(static_cast<int>(i)));
    }
  }
  EXPECT_GT(fields, 1000);
}

TEST(StackEditorLaws, WhatIsSetIsWhatIsReadAndNothingElse) {
  ForEveryField([](const StackFile& file, const TextTree& tree, int node, const std::string& where) {
    const FieldPlace& place = tree.node(node).place;
    if (place.field->is_repeated() && tree.node(node).type == nullptr) return;
    Stack expected = file.stack();
    JsonMembers edit = Edit("set", tree.PathOf(node));
    JsonValue& value = (*edit.mutable_fields())["value"];
    if (!Change(place.field, Holder(tree, node, &expected), &value)) return;
    (*edit.mutable_fields())["flatten"].set_bool_value(true);
    StackEditor editor(file.text());
    const absl::Status done = editor.Apply(edit);
    ASSERT_TRUE(done.ok()) << where << ": " << done;
    const auto after = StackFile::Parse("t", editor.text());
    ASSERT_TRUE(after.ok()) << where << ": " << after.status() << "\n" << editor.text();
    EXPECT_TRUE(MessageDifferencer::Equals(after->stack(), expected)) << where << "\n" << editor.text();
    // What stands before and behind the field is untouched.
    const std::string& text = file.text();
    EXPECT_EQ(editor.text().substr(0, place.at), text.substr(0, place.at)) << where;
    const size_t tail = text.size() - place.end;
    ASSERT_GE(editor.text().size(), tail) << where;
    EXPECT_EQ(editor.text().substr(editor.text().size() - tail), text.substr(place.end)) << where;
  });
}

TEST(StackEditorLaws, WhatIsTakenAwayIsGoneAndNothingElse) {
  ForEveryField([](const StackFile& file, const TextTree& tree, int node, const std::string& where) {
    const FieldPlace& place = tree.node(node).place;
    if (place.listed || (place.field->is_repeated() && tree.node(node).type == nullptr)) return;
    Stack expected = file.stack();
    Message* holder = Holder(tree, node, &expected);
    if (place.field->is_repeated()) {
      for (int i = place.index; i + 1 < holder->GetReflection()->FieldSize(*holder, place.field); ++i) {
        holder->GetReflection()->SwapElements(holder, place.field, i, i + 1);
      }
      holder->GetReflection()->RemoveLast(holder, place.field);
    } else {
      holder->GetReflection()->ClearField(holder, place.field);
    }
    StackEditor editor(file.text());
    const absl::Status done = editor.Apply(Edit("reset", tree.PathOf(node)));
    ASSERT_TRUE(done.ok()) << where << ": " << done;
    const auto after = StackFile::Parse("t", editor.text());
    ASSERT_TRUE(after.ok()) << where << ": " << after.status() << "\n" << editor.text();
    EXPECT_TRUE(MessageDifferencer::Equals(after->stack(), expected)) << where << "\n" << editor.text();
  });
}

TEST(StackEditorLaws, WhatIsMutedAndTakenInAgainIsAsItWas) {
  ForEveryField([](const StackFile& file, const TextTree& tree, int node, const std::string& where) {
    if (tree.node(node).type != Step::descriptor()) return;
    StackEditor editor(file.text());
    const absl::Status done = editor.Apply(Edit("mute", tree.PathOf(node)));
    ASSERT_TRUE(done.ok()) << where << ": " << done;
    const auto muted = StackFile::Parse("t", editor.text());
    ASSERT_TRUE(muted.ok()) << where << ": " << muted.status() << "\n" << editor.text();
    EXPECT_FALSE(MessageDifferencer::Equals(muted->stack(), file.stack())) << where;
    JsonMembers back = Edit("mute", "");
    (*back.mutable_fields())["muted"].set_bool_value(false);
    (*back.mutable_fields())["offset"].set_number_value(static_cast<double>(editor.text().find(std::string(kMuted))));
    ASSERT_TRUE(editor.Apply(back).ok()) << where;
    const auto again = StackFile::Parse("t", editor.text());
    ASSERT_TRUE(again.ok()) << where << ": " << again.status() << "\n" << editor.text();
    EXPECT_TRUE(MessageDifferencer::Equals(again->stack(), file.stack())) << where << "\n" << editor.text();
  });
}

}  // namespace
}  // namespace selvage::client
