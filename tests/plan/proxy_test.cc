// Work at a fraction of the size: what of a stack goes with it, and that no result of one
// size is taken for one of another.
#include "server/plan/proxy.h"

#include <cmath>
#include <functional>
#include <set>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_replace.h"
#include "gmock/gmock.h"
#include "proto/catalogue.h"
#include "server/plan/ingredients.h"
#include "server/plan/mask_resolver.h"
#include "server/plan/resolve.h"
#include "tests/plan/stacks.h"

namespace selvage::plan {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::Message;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::SizeIs;

constexpr char kShot[] = R"(
  name: "shot" frames { first: 1001 last: 1004 }
  plate { name: "plate" files: "/a/plate.%04d.exr" }
  plate { name: "meadow" files: "/a/meadow.%04d.exr" missing: HOLD frames { first: 1001 last: 1002 } }
  mask { name: "boots" shape { path: "M812 700 L960 705 Q 970 780 900 820 Z" feather { value: 6 } } }
  pass { name: "degrained" from: "plate"
         step { degrain { sample { x: 41 y: 40 width: 96 height: 96 } } } }
  pass { name: "core" from: "degrained"
         step { color_difference { screen { sample { x: 40 y: 40 width: 64 height: 64 } } } }
         step { choke { pixels { value: 2.5 } } } step { within { mask: "boots" } } }
  pass { name: "over" from: "plate" step { attach_matte { matte: "core" } } step { premultiply {} }
         step { composite { with: "meadow" } } }
  deliver { name: "comp" from: "over" files: "/o/x.%04d.exr" }
)";

Stack AtSize(const std::string& text, uint32_t proxy) {
  Stack stack = ParseStack(text);
  stack.set_proxy(proxy);
  return stack;
}

Format FormatOf(uint32_t width, uint32_t height) {
  Format f;
  f.set_width(width);
  f.set_height(height);
  return f;
}

// Each number of a message that has a unit, with its traits, wherever it is.
void EachNumber(
    const Message& m, const std::string& path,
    const std::function<void(const std::string& path, const ParamTraits& traits, bool whole, double v)>& visit) {
  const auto* r = m.GetReflection();
  std::vector<const FieldDescriptor*> fields;
  r->ListFields(m, &fields);
  for (const FieldDescriptor* f : fields) {
    const std::string here = absl::StrCat(path, "/", f->name());
    const ParamTraits& traits = TraitsOf(f);
    if (f->is_repeated()) continue;
    if (f->message_type() == Number::descriptor()) {
      visit(here, traits, false, static_cast<const Number&>(r->GetMessage(m, f)).value());
    } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_MESSAGE) {
      EachNumber(r->GetMessage(m, f), here, visit);
    } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_UINT32) {
      visit(here, traits, true, r->GetUInt32(m, f));
    } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_DOUBLE) {
      visit(here, traits, false, r->GetDouble(m, f));
    }
  }
}

double Limited(const ParamTraits& traits, double v) {
  if (traits.has_min()) v = std::max(v, traits.min());
  return traits.has_max() ? std::min(v, traits.max()) : v;
}

// Key frames and whole numbers where the operator takes some.
void SetAllPixels(Message* m) {
  const auto* r = m->GetReflection();
  for (int i = 0; i < m->GetDescriptor()->field_count(); ++i) {
    const FieldDescriptor* f = m->GetDescriptor()->field(i);
    const ParamTraits& traits = TraitsOf(f);
    if (traits.unit() != "px" && traits.unit() != "square px") continue;
    if (f->message_type() == Number::descriptor()) {
      auto* number = static_cast<Number*>(r->MutableMessage(m, f));
      for (const int frame : {1001, 1003}) {
        auto* at = number->add_at();
        at->set_frame(frame);
        at->set_value(Limited(traits, frame == 1001 ? 12.5 : 40));
      }
    } else if (f->cpp_type() == FieldDescriptor::CPPTYPE_UINT32) {
      r->SetUInt32(m, f, static_cast<uint32_t>(Limited(traits, 7)));
    }
  }
}

// Every operator, with nothing set and with all set: at each frame its numbers in pixels are
// those of the full size divided by N, as far as their range allows, and all others are the
// same.
TEST(Proxy, EveryNumberInPixelsOfEveryOperatorIsDivided) {
  int pixels = 0, areas = 0, others = 0;
  for (const Operator& o : Operators()) {
    if (o.traits.internal()) continue;
    for (const bool all_set : {false, true}) {
      for (const uint32_t by : {2u, 4u, 8u}) {
        Stack stack;
        stack.set_proxy(by);
        Step* step = stack.add_pass()->add_step();
        Message* params = step->GetReflection()->MutableMessage(step, o.field);
        if (all_set) SetAllPixels(params);
        const Stack reduced = Reduced(stack, FormatOf(1920, 1080));
        for (const int32_t frame : {1001, 1002, 1003}) {
          const Step full = ResolveStep(*step, frame), small = ResolveStep(reduced.pass(0).step(0), frame);
          std::map<std::string, double> at_small;
          EachNumber(ParamsOf(small), o.name,
                     [&](const std::string& path, const ParamTraits&, bool, double v) { at_small[path] = v; });
          EachNumber(ParamsOf(full), o.name,
                     [&](const std::string& path, const ParamTraits& traits, bool whole, double v) {
                       const double divisor = traits.unit() == "px" ? by : traits.unit() == "square px" ? by * by : 1;
                       (divisor == 1 ? others : traits.unit() == "px" ? pixels : areas) += 1;
                       const double divided = whole ? std::round(v / divisor) : v / divisor;
                       // Between key frames a value is mixed from two that were divided.
                       EXPECT_NEAR(at_small.at(path), Limited(traits, divided), 1e-12 + 1e-12 * std::abs(v))
                           << path << " at 1/" << by;
                     });
        }
      }
    }
  }
  // There are such fields: choke, soften, transform, crop, edge ...; fill_holes and drop_specks.
  EXPECT_GT(pixels, 20 * 2 * 3 * 3);
  EXPECT_EQ(areas, 2 * 2 * 3 * 3);
  EXPECT_GT(others, 100);
}

TEST(Proxy, RadiiAreRoundedAndStayAtTheirLeast) {
  const auto radius = [](const std::string& step, uint32_t by) {
    const Stack stack = AtSize("pass { step { " + step + " } }", by);
    return Reduced(stack, FormatOf(64, 64)).pass(0).step(0);
  };
  EXPECT_EQ(radius("refine { guide: \"p\" }", 2).refine().radius(), 2u) << "the default is 4";
  EXPECT_EQ(radius("refine { guide: \"p\" radius: 1 }", 8).refine().radius(), 1u) << "the least that is allowed";
  EXPECT_EQ(radius("refine { guide: \"p\" radius: 11 }", 4).refine().radius(), 3u) << "2.75, rounded";
  EXPECT_EQ(radius("plate_difference { radius: 1 }", 4).plate_difference().radius(), 0u) << "0.25, rounded";
}

// Powers of two: exact to the last bit, whatever the curves are written as.
TEST(Proxy, MasksAreTheSameCurvesAtAnotherScale) {
  const std::string text = R"(mask { name: "m"
    shape { at { frame: 1001 path: "M0.1 0 l 9 3 c 1 1 2 2 3.7 3 z m 20 20 h 9 v 7 z" }
            at { frame: 1009 path: "M7 0.3 L 9 3 c 1 1 2 2 3 3.3 z M 20 27 H 9 V 7 z" }
            feather { at { frame: 1001 value: 3 } at { frame: 1003 value: 8 } } }
    shape { path: "M 100 100 a 30 20 15 1 0 60 7 q 3 4 9 9 t 5 5 s 8 8 9 2 z" subtract: true rule: EVENODD }
    track { x { value: 12.5 } y { at { frame: 1001 value: -3 } at { frame: 1004 value: 30 } }
            rotate { value: 33 } scale { value: 1.1 } pivot_x: 40.3 pivot_y: 17 }
    shutter { degrees: 180 } })";
  for (const uint32_t by : {2u, 4u, 8u}) {
    const Stack stack = AtSize(text, by);
    const Mask reduced = Reduced(stack, FormatOf(1920, 1080)).mask(0);
    // Fewer instants may do for a smaller motion: of those that are there, the shapes are the same.
    Mask still = stack.mask(0), still_reduced = reduced;
    still.clear_shutter();
    still_reduced.clear_shutter();
    for (const int32_t frame : {1001, 1002, 1004, 1020}) {
      const auto full = MaskResolver(still).At(frame), small = MaskResolver(still_reduced).At(frame);
      ASSERT_EQ(full->shape_size(), small->shape_size());
      for (int s = 0; s < full->shape_size(); ++s) {
        const auto &a = full->shape(s), &b = small->shape(s);
        EXPECT_EQ(a.feather() / by, b.feather());
        EXPECT_EQ(a.subtract(), b.subtract());
        EXPECT_EQ(a.rule(), b.rule());
        ASSERT_EQ(a.path_size(), b.path_size());
        for (int p = 0; p < a.path_size(); ++p) {
          ASSERT_EQ(a.path(p).xy_size(), b.path(p).xy_size());
          for (int i = 0; i < a.path(p).xy_size(); ++i) ASSERT_EQ(a.path(p).xy(i) / by, b.path(p).xy(i));
        }
      }
    }
    EXPECT_EQ(reduced.shutter().degrees(), 180);
  }
}

TEST(Proxy, BoxesHoldWhatLiesWhollyInsideAndAtLeastWhatIsMeasuredIn) {
  const auto box = [](int x, int width, bool noise, uint32_t by, uint32_t picture) {
    const std::string sample = absl::StrCat("sample { x: ", x, " y: ", x, " width: ", width, " height: ", width, " }");
    const Stack stack =
        AtSize("pass { step { " +
                   (noise ? "degrain { " + sample + " }" : "color_difference { screen { " + sample + " } }") + " } }",
               by);
    const Step step = Reduced(stack, FormatOf(picture, picture)).pass(0).step(0);
    const SampleBox b = noise ? step.degrain().sample() : step.color_difference().screen().sample();
    EXPECT_EQ(b.x(), b.y());
    EXPECT_EQ(b.width(), b.height());
    return std::pair<int, int>(b.x(), static_cast<int>(b.width()));
  };
  using Box = std::pair<int, int>;
  EXPECT_EQ(box(40, 64, false, 2, 1000), Box(20, 32));
  EXPECT_EQ(box(41, 64, false, 2, 1000), Box(21, 31)) << "half a pixel at either end is not measured";
  EXPECT_EQ(box(41, 1, false, 2, 1000), Box(20, 1)) << "the pixel that holds it";
  EXPECT_EQ(box(7, 1, false, 8, 1000), Box(0, 1));
  EXPECT_EQ(box(8, 1, false, 8, 1000), Box(1, 1));
  EXPECT_EQ(box(100, 16, true, 4, 1000), Box(23, 8)) << "around its middle, 27";
  EXPECT_EQ(box(0, 8, true, 8, 1000), Box(0, 8)) << "not out of the picture";
  EXPECT_EQ(box(992, 8, true, 8, 1000), Box(117, 8)) << "125 wide: 117 to 125";
  EXPECT_EQ(box(0, 33, true, 4, 33), Box(0, 8)) << "the last pixel of the nine is covered in part";
}

TEST(Proxy, TheFormatIsRoundedUpAndAll) {
  const Format f = Reduced(FormatOf(1921, 1080), 2);
  EXPECT_EQ(f.width(), 961u);
  EXPECT_EQ(f.height(), 540u);
  Disk disk;
  disk.width = 1921;
  const Plan plan = PlanAll(AtSize(kShot, 4), disk);
  ASSERT_THAT(plan.errors, IsEmpty());
  EXPECT_EQ(plan.format.width(), 481u);
  EXPECT_EQ(plan.format.height(), 270u);
  EXPECT_EQ(plan.proxy, 4u);
}

std::set<std::string> KeysOf(const Plan& plan) {
  std::set<std::string> keys;
  for (const PlannedTask& t : plan.tasks) keys.insert(t.key.Hex());
  EXPECT_FALSE(keys.empty());
  return keys;
}

TEST(Proxy, FullSizeChangesNoKeyAndOtherSizesHaveNoneInCommon) {
  const std::set<std::string> full = KeysOf(PlanAll(kShot));
  EXPECT_EQ(KeysOf(PlanAll(AtSize(kShot, 1))), full);
  std::set<std::string> all = full;
  size_t count = full.size();
  for (const uint32_t by : {2u, 4u, 8u}) {
    const std::set<std::string> reduced = KeysOf(PlanAll(AtSize(kShot, by)));
    count += reduced.size();
    all.insert(reduced.begin(), reduced.end());
    EXPECT_EQ(all.size(), count) << "1/" << by;
  }
}

TEST(Proxy, PlatesAreReducedOnceWhoeverReadsThem) {
  const Stack stack = AtSize(kShot, 2);
  // Only two frames of the background exist: the later one is held.
  const Plan plan = PlanAll(stack);
  ASSERT_THAT(plan.errors, IsEmpty());
  std::map<std::string, int> reduced;
  for (const PlannedTask& t : plan.tasks) {
    for (const PlannedInput& in : t.inputs) {
      EXPECT_EQ(in.plate != nullptr, !t.steps->empty() && t.steps->front().has_reduce()) << t.pass;
    }
    if (t.steps->empty() || !t.steps->front().has_reduce()) continue;
    ++reduced[t.pass];
    EXPECT_EQ(t.steps->front().reduce().by(), 2u);
    EXPECT_THAT(t.inputs, SizeIs(1));
  }
  EXPECT_THAT(reduced, ElementsAre(std::pair("reduced meadow", 2), std::pair("reduced plate", 4)));
  // The window of degrain goes on as before.
  const PlannedTask* degrain = FindTask(plan, "degrained", 1002);
  ASSERT_NE(degrain, nullptr);
  int pictures = 0;
  for (const PlannedInput& in : degrain->inputs) pictures += in.port == "in";
  EXPECT_EQ(pictures, 3);
}

TEST(Proxy, ResultsAreRememberedByAnotherName) {
  EXPECT_EQ(PlanAll(kShot).stack_name, "shot");
  EXPECT_EQ(PlanAll(AtSize(kShot, 2)).stack_name, "shot@1/2");
  EXPECT_THAT(HistoryNames("shot"), ElementsAre("shot", "shot@1/2", "shot@1/4", "shot@1/8"));
  Stack named = ParseStack(kShot);
  named.set_name("shot@1/2");
  EXPECT_THAT(Validate(named), SizeIs(1)) << "no stack may be called so";
}

TEST(Proxy, PeopleAreToldTheNumbersThatTheyWrote) {
  const Plan plan = PlanAll(AtSize(kShot, 4));
  const PlannedTask* core = FindTask(plan, "core", 1002);
  ASSERT_NE(core, nullptr);
  for (const Step& step : *core->steps) {
    if (step.has_choke()) {
      EXPECT_EQ(step.choke().pixels().value(), 0.625);
    }
  }
  bool found = false;
  const Ingredients made_of = IngredientsOf(plan, *core);
  for (const Step& step : made_of.step()) {
    if (!step.has_choke()) continue;
    found = true;
    EXPECT_EQ(step.choke().pixels().value(), 2.5);
  }
  EXPECT_TRUE(found);
  ASSERT_EQ(made_of.input(made_of.input_size() - 1).mask().shape_size(), 1);
  EXPECT_EQ(made_of.input(made_of.input_size() - 1).mask().shape(0).feather(), 6);
}

TEST(Proxy, ALookKeepsItsOwnPixelsAndShowsTheSamePart) {
  Target target;
  target.source = "core";
  target.frame = 1002;
  LookPicture* look = target.look.emplace().mutable_look_picture();
  look->set_longest_side(480);
  look->set_zoom(3);
  look->mutable_crop()->set_x(761);
  look->mutable_crop()->set_y(-3);
  look->mutable_crop()->set_width(300);
  look->mutable_crop()->set_height(200);
  const LookPicture small = Reduced(target, FormatOf(1920, 1080), 2).look->look_picture();
  EXPECT_EQ(small.longest_side(), 480u);
  EXPECT_EQ(small.zoom(), 3u);
  EXPECT_EQ(small.crop().x(), 380);
  EXPECT_EQ(small.crop().width(), 151u) << "380.5 to 530.5";
  EXPECT_EQ(small.crop().y(), -2);
  EXPECT_EQ(small.crop().height(), 101u);
  const Plan plan = PlanTargets(AtSize(kShot, 2), {target});
  EXPECT_THAT(plan.errors, IsEmpty());

  Target figures;
  figures.source = "core";
  figures.frame = 1002;
  figures.look.emplace().mutable_measure_matte()->mutable_area()->set_value(400);
  EXPECT_EQ(Reduced(figures, FormatOf(1920, 1080), 4).look->measure_matte().area().value(), 25);

  // A pixel outside the picture is one at any size.
  Target values;
  values.source = "core";
  values.frame = 1002;
  SampleBox* box = values.look.emplace().mutable_sample_color()->mutable_box();
  box->set_x(4000);
  box->set_width(1);
  box->set_height(1);
  EXPECT_GE(Reduced(values, FormatOf(1920, 1080), 2).look->sample_color().box().x(), 960);
}

TEST(Proxy, DeliverablesSayTheirSize) {
  const Plan full = PlanAll(kShot), half = PlanAll(AtSize(kShot, 2));
  EXPECT_EQ(FindTask(full, "deliver comp", 1001)->steps->front().deliver_file().reduced(), 0u);
  EXPECT_EQ(FindTask(half, "deliver comp", 1001)->steps->front().deliver_file().reduced(), 2u);
}

TEST(Proxy, SizesThatCannotBeRenderedAreFaultsWithTheirPlace) {
  const auto faults = [](const std::string& text, uint32_t by, int width, int height) {
    Disk disk;
    disk.width = width;
    disk.height = height;
    return PlanAll(AtSize(text, by), disk).errors;
  };
  constexpr char kPlain[] = R"(name: "shot" frames { first: 1 last: 1 } plate { name: "plate" files: "/p.%d.exr" }
    pass { name: "core" from: "plate" step { color_difference {} } } deliver { name: "d" from: "core" files: "/o.%d.exr" })";
  EXPECT_THAT(faults(kPlain, 8, 8, 8), IsEmpty());
  const auto small = faults(kPlain, 8, 100, 7);
  ASSERT_THAT(small, SizeIs(1));
  EXPECT_EQ(small[0].path(), "proxy");
  EXPECT_THAT(small[0].message(), HasSubstr("100 x 7 has no 1/8 of its size, it must have at least 8 x 8 pixels"));

  const std::string noisy = absl::StrReplaceAll(
      kPlain, {{"step { color", "step { degrain { window: 0 sample { width: 8 height: 8 } } } step { color"}});
  EXPECT_THAT(faults(noisy, 4, 29, 32), IsEmpty()) << "8 x 8 at a quarter";
  const auto box = faults(noisy, 4, 28, 32);
  ASSERT_THAT(box, SizeIs(1));
  EXPECT_EQ(box[0].path(), "pass[0].step[0].degrain.sample");
  EXPECT_THAT(box[0].message(), HasSubstr("at 1/4 of the size the picture is 7 x 8, a box to measure in needs 8 x 8"));
  // A box outside the picture is told of as it was written.
  const auto outside = faults(absl::StrReplaceAll(noisy, {{"sample { ", "sample { x: 90 "}}), 2, 96, 96);
  ASSERT_THAT(outside, SizeIs(1));
  EXPECT_THAT(outside[0].message(), HasSubstr("the box at 90, 0 of 8 x 8 reaches outside the picture of 96 x 96"));
}

}  // namespace
}  // namespace selvage::plan
