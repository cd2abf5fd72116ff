#include "proto/catalogue.h"

#include <set>

#include "gmock/gmock.h"
#include "google/protobuf/text_format.h"
#include "gtest/gtest.h"

namespace selvage {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;

Step Parse(const std::string& text) {
  Step s;
  EXPECT_TRUE(google::protobuf::TextFormat::ParseFromString(text, &s)) << text;
  return s;
}

TEST(Catalogue, OperatorsAreOrderedByFieldNumber) {
  int last = 0;
  for (const Operator& o : Operators()) {
    EXPECT_GT(o.field->number(), last);
    last = o.field->number();
  }
  EXPECT_EQ(static_cast<int>(Operators().size()), Step::descriptor()->field_count());
}

// An operator without these would have no key, no segment and no manual page.
TEST(Catalogue, EveryOperatorDeclaresItsTraits) {
  for (const Operator& o : Operators()) {
    EXPECT_GE(o.traits.revision(), 1u) << o.name;
    EXPECT_NE(o.traits.extent(), EXTENT_UNSPECIFIED) << o.name;
    EXPECT_FALSE(o.traits.family().empty()) << o.name;
    EXPECT_EQ(FindOperator(o.name), &o);
  }
}

// A number without a range would be validated by nobody.
void ExpectRanges(const Descriptor* d, const std::string& where, std::set<const Descriptor*>* seen) {
  if (!seen->insert(d).second) return;
  for (int i = 0; i < d->field_count(); ++i) {
    const FieldDescriptor* f = d->field(i);
    if (f->cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE) continue;
    const std::string name = f->message_type()->name();
    if (name == "Number") {
      EXPECT_TRUE(TraitsOf(f).has_min() && TraitsOf(f).has_max()) << where << "." << f->name();
      EXPECT_TRUE(TraitsOf(f).has_default_value() || TraitsOf(f).may_be_unset()) << where << "." << f->name();
    } else if (name != "Color" && name != "SampleBox") {
      ExpectRanges(f->message_type(), where + "." + f->name(), seen);
    }
  }
}
TEST(Catalogue, EveryNumberHasARangeAndADefault) {
  std::set<const Descriptor*> seen;
  for (const Operator& o : Operators()) ExpectRanges(o.message, o.name, &seen);
}

// Traits name fields in words; a wrong one would be found by the first stack that has it.
TEST(Catalogue, TraitsNameFieldsThatAreThere) {
  for (const Operator& o : Operators()) {
    for (const auto& order : o.traits.ascending()) {
      EXPECT_GE(order.field_size(), 2) << o.name;
      for (const std::string& name : order.field()) {
        const FieldDescriptor* f = o.message->FindFieldByName(name);
        ASSERT_NE(f, nullptr) << o.name << "." << name;
        EXPECT_EQ(f->message_type(), Number::descriptor()) << o.name << "." << name;
      }
    }
    for (int i = 0; i < o.message->field_count(); ++i) {
      const FieldDescriptor* f = o.message->field(i);
      const ParamTraits& traits = TraitsOf(f);
      EXPECT_TRUE(traits.screen() == SCREEN_ANY || f->message_type() == Screen::descriptor()) << f->full_name();
      EXPECT_TRUE(traits.at_least() == 0 || f->is_repeated()) << f->full_name();
      if (!traits.ascending_by().empty()) {
        ASSERT_TRUE(f->is_repeated() && f->message_type() != nullptr) << f->full_name();
        const FieldDescriptor* by = f->message_type()->FindFieldByName(traits.ascending_by());
        ASSERT_NE(by, nullptr) << f->full_name();
        EXPECT_EQ(by->cpp_type(), FieldDescriptor::CPPTYPE_DOUBLE) << f->full_name();
      }
      if (traits.needed_with().empty()) continue;
      const size_t colon = traits.needed_with().find(": ");
      ASSERT_NE(colon, std::string::npos) << f->full_name();
      const FieldDescriptor* other = o.message->FindFieldByName(traits.needed_with().substr(0, colon));
      ASSERT_TRUE(other != nullptr && other->enum_type() != nullptr) << f->full_name();
      EXPECT_NE(other->enum_type()->FindValueByName(traits.needed_with().substr(colon + 2)), nullptr) << f->full_name();
      EXPECT_EQ(f->cpp_type(), FieldDescriptor::CPPTYPE_STRING) << f->full_name();
    }
  }
}

TEST(Catalogue, AStepKnowsItsOperator) {
  EXPECT_EQ(OperatorOf(Step()), nullptr);
  Step s = Parse("choke { shape: SQUARE }");
  ASSERT_NE(OperatorOf(s), nullptr);
  EXPECT_EQ(OperatorOf(s)->name, "choke");
  EXPECT_EQ(static_cast<const Choke&>(ParamsOf(s)).shape(), Choke::SQUARE);
  static_cast<Choke*>(MutableParamsOf(&s))->set_shape(Choke::DISC);
  EXPECT_EQ(s.choke().shape(), Choke::DISC);
}

TEST(Catalogue, HeavyIsGlobalOrTemporal) {
  EXPECT_TRUE(FindOperator("degrain")->heavy());
  EXPECT_TRUE(FindOperator("spread_color")->heavy());
  EXPECT_FALSE(FindOperator("soften")->heavy());
  EXPECT_FALSE(FindOperator("levels")->heavy());
}

std::vector<std::string> PathsOf(const std::string& text) {
  std::vector<std::string> paths;
  for (const Port& p : PortsOf(ParamsOf(Parse(text)))) paths.push_back(p.path + "=" + p.name);
  return paths;
}

TEST(Catalogue, PortsAreFoundInOneofsMessagesAndLists) {
  EXPECT_THAT(PathsOf("color_difference { screen { clean_plate: \"clean\" } }"),
              testing::ElementsAre("screen.clean_plate=clean"));
  EXPECT_THAT(PathsOf("deliver_file { layer { name: \"a\" from: \"x\" } layer { from: \"y\" } }"),
              testing::ElementsAre("layer[0].from=x", "layer[1].from=y"));
  EXPECT_THAT(PathsOf("patch { mask: \"m\" with: \"w\" }"), testing::ElementsAre("with=w", "mask=m"));
  EXPECT_THAT(PathsOf("levels {}"), testing::IsEmpty());
}

TEST(Catalogue, RequiredPortsAreReportedWhenMissing) {
  EXPECT_THAT(PathsOf("within {}"), testing::ElementsAre("mask="));
  EXPECT_THAT(PathsOf("grade {}"), testing::IsEmpty());
}

TEST(Catalogue, MeasuredBoxesArePorts) {
  const Step s = Parse("degrain { sample { x: 1 width: 20 height: 20 } }");
  const std::vector<Port> ports = PortsOf(ParamsOf(s));
  ASSERT_EQ(ports.size(), 1u);
  EXPECT_EQ(ports[0].path, "sample");
  EXPECT_EQ(ports[0].traits.measure(), NOISE_PROFILE);
  ASSERT_NE(ports[0].box, nullptr);
  EXPECT_EQ(ports[0].box->width(), 20u);
}

TEST(Catalogue, WindowIsGivenOrTheDefault) {
  EXPECT_EQ(WindowOf(ParamsOf(Parse("degrain {}"))), 1);
  EXPECT_EQ(WindowOf(ParamsOf(Parse("degrain { window: 0 }"))), 0);
  EXPECT_EQ(WindowOf(ParamsOf(Parse("degrain { window: 3 }"))), 3);
  EXPECT_EQ(WindowOf(ParamsOf(Parse("levels {}"))), 0);
}

TEST(Catalogue, OpaqueIsTakenForStraightOrPremultiplied) {
  auto takes = [](const std::string& op) { return FindOperator(op)->traits.takes(); };
  EXPECT_EQ(TakenAs(takes("composite"), OPAQUE), OPAQUE);
  EXPECT_EQ(TakenAs(takes("composite"), STRAIGHT), KIND_UNSPECIFIED);
  // Not opaque any more once a matte was multiplied into it.
  EXPECT_EQ(TakenAs(takes("within"), OPAQUE), STRAIGHT);
  EXPECT_EQ(TakenAs(takes("levels"), OPAQUE), KIND_UNSPECIFIED);
}

TEST(Catalogue, KindAfterIsDeclaredOrThatOfTheMainInput) {
  EXPECT_EQ(KindAfter(Parse("color_difference {}"), OPAQUE), MATTE);
  EXPECT_EQ(KindAfter(Parse("grade {}"), OPAQUE), OPAQUE);
  EXPECT_EQ(KindAfter(Parse("grade {}"), STRAIGHT), STRAIGHT);
  EXPECT_EQ(KindAfter(Parse("within { mask: 'm' }"), OPAQUE), STRAIGHT);
  EXPECT_EQ(KindAfter(Parse("attach_matte { matte: 'm' }"), OPAQUE), STRAIGHT);
  EXPECT_EQ(KindAfter(Parse("despill {}"), OPAQUE), OPAQUE);
  EXPECT_EQ(KindAfter(Parse("despill { amount_to_alpha: true }"), OPAQUE), STRAIGHT);
  EXPECT_EQ(KindAfter(Parse("flood {}"), KIND_UNSPECIFIED), OPAQUE);
  EXPECT_EQ(KindAfter(Parse("flood { as: FLOOD_MATTE }"), KIND_UNSPECIFIED), MATTE);
}

TEST(Catalogue, MisspeltOperatorsFindTheClosest) {
  EXPECT_EQ(ClosestOperator("despil"), "despill");
  EXPECT_EQ(ClosestOperator("colour_difference"), "color_difference");
  EXPECT_EQ(ClosestOperator("premultipyl"), "premultiply");
  EXPECT_EQ(ClosestOperator("zzzzzz"), "");
  // Internal steps are not for stacks.
  EXPECT_EQ(ClosestOperator("deliver_fil"), "");
}

}  // namespace
}  // namespace selvage
