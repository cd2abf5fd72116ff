// Laws of the canonical bytes. The bytes themselves are in tests/vectors.
#include "server/plan/canonical.h"

#include <cmath>

#include "absl/strings/escaping.h"
#include "proto/catalogue.h"
#include "tests/plan/stacks.h"

namespace selvage::plan {
namespace {

std::string BytesOf(const google::protobuf::Message& m) {
  CanonicalWriter w("test");
  EXPECT_TRUE(w.Message(m).ok());
  return w.bytes();
}

// Written out by hand from the description in canonical.h.
TEST(Canonical, BytesAreThoseOfTheDescription) {
  Levels levels;
  levels.mutable_white()->set_value(1);
  levels.set_invert(true);
  CanonicalWriter w("ab");
  ASSERT_TRUE(w.Message(levels).ok());
  const std::string expected =
      "0200000000000000"
      "6162"              // domain
      "01000000"          // version
      "2700000000000000"  // length of the message: 39
      "02000000"
      "05"
      "0d00000000000000"  // field 2, message of 13 bytes
      "01000000"
      "03"
      "000000000000f03f"  //   field 1, double 1
      "04000000"
      "01"
      "0100000000000000";  // field 4, bool
  EXPECT_EQ(absl::BytesToHexString(w.bytes()), expected);
}

TEST(Canonical, DomainsAreApart) { EXPECT_NE(CanonicalWriter("a").Sha(), CanonicalWriter("b").Sha()); }

TEST(Canonical, LengthsKeepFieldsApart) {
  CanonicalWriter a("t"), b("t");
  a.Bytes("ab");
  a.Bytes("c");
  b.Bytes("a");
  b.Bytes("bc");
  EXPECT_NE(a.bytes(), b.bytes());
}

TEST(Canonical, MinusZeroIsZero) {
  Number minus, plus;
  minus.set_value(-0.0);
  plus.set_value(0.0);
  EXPECT_EQ(BytesOf(minus), BytesOf(plus));
  // Without presence zero is left out, whichever sign it has.
  Curve::Point a, b;
  a.set_x(-0.0);
  EXPECT_EQ(BytesOf(a), BytesOf(b));
}

TEST(Canonical, NanIsRefused) {
  Number n;
  n.set_value(std::nan(""));
  CanonicalWriter w("t");
  EXPECT_EQ(w.Message(n).code(), absl::StatusCode::kInternal);
}

TEST(Canonical, FieldsOfAnotherVersionAreRefused) {
  Number n;
  n.GetReflection()->MutableUnknownFields(&n)->AddVarint(99, 1);
  CanonicalWriter w("t");
  EXPECT_EQ(w.Message(n).code(), absl::StatusCode::kInternal);
}

TEST(Canonical, NamesOfInputsAndBoxesAreLeftOut) {
  Within a, b;
  a.set_mask("boots");
  b.set_mask("gloves");
  EXPECT_EQ(BytesOf(a), BytesOf(b));
  Degrain c, d;
  c.mutable_sample()->set_x(1);
  d.mutable_sample()->set_x(2);
  EXPECT_EQ(BytesOf(c), BytesOf(d));
  // A measuring step is about its box.
  SampleColor e, f;
  e.mutable_box()->set_x(1);
  f.mutable_box()->set_x(2);
  EXPECT_NE(BytesOf(e), BytesOf(f));
}

// Sets a field of any kind to something that is not its zero.
void SetSomething(google::protobuf::Message* m, const google::protobuf::FieldDescriptor* f) {
  using F = google::protobuf::FieldDescriptor;
  const auto* r = m->GetReflection();
  switch (f->cpp_type()) {
    case F::CPPTYPE_BOOL:
      r->SetBool(m, f, true);
      break;
    case F::CPPTYPE_UINT32:
      r->SetUInt32(m, f, 3);
      break;
    case F::CPPTYPE_INT32:
      r->SetInt32(m, f, -3);
      break;
    case F::CPPTYPE_FLOAT:
      r->SetFloat(m, f, 0.375f);
      break;
    case F::CPPTYPE_DOUBLE:
      r->SetDouble(m, f, 0.375);
      break;
    case F::CPPTYPE_ENUM:
      r->SetEnumValue(m, f, 1);
      break;
    case F::CPPTYPE_STRING:
      r->SetString(m, f, "x");
      break;
    default: {
      auto* sub = f->is_repeated() ? r->AddMessage(m, f) : r->MutableMessage(m, f);
      const google::protobuf::FieldDescriptor* first = sub->GetDescriptor()->field(0);
      if (!first->is_repeated()) SetSomething(sub, first);
    }
  }
}

// Each parameter of each operator changes the bytes, but for names and boxes.
TEST(Canonical, EveryParameterMatters) {
  int checked = 0;
  for (const Operator& o : Operators()) {
    Step empty;
    empty.GetReflection()->MutableMessage(&empty, o.field);
    for (int i = 0; i < o.message->field_count(); ++i) {
      const auto* f = o.message->field(i);
      Step step = empty;
      SetSomething(MutableParamsOf(&step), f);
      const bool left_out = TraitsOf(f).input_size() > 0 || TraitsOf(f).measure() != MEASURE_NONE;
      EXPECT_EQ(BytesOf(ParamsOf(step)) == BytesOf(ParamsOf(empty)), left_out) << o.name << "." << f->name();
      ++checked;
    }
  }
  EXPECT_GT(checked, 80);
}

}  // namespace
}  // namespace selvage::plan
