// Checks of fields that only make sense together, as their traits say.
#include <algorithm>

#include "absl/strings/str_cat.h"
#include "server/plan/resolve.h"
#include "server/plan/values_check.h"

namespace selvage::plan {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;
using google::protobuf::Message;
using google::protobuf::Reflection;

struct Part {
  std::string name;
  const Number* number;
  double otherwise;
};

std::vector<Part> PartsOf(const Message& params, const OpTraits::Ascending& order) {
  std::vector<Part> parts;
  for (const std::string& name : order.field()) {
    const FieldDescriptor* f = params.GetDescriptor()->FindFieldByName(name);
    const auto& number = static_cast<const Number&>(params.GetReflection()->GetMessage(params, f));
    parts.push_back({name, &number, TraitsOf(f).default_value()});
  }
  return parts;
}

// Each part must not be below the one before, at every key frame of any of them.
// Between key frames eased numbers could still cross; operators take equal and
// crossed bounds for a hard edge.
void CheckOrder(const Place& at, const std::vector<Part>& parts, bool strictly, Faults* faults) {
  std::vector<int32_t> frames;
  for (const Part& p : parts) {
    for (const auto& k : p.number->at()) frames.push_back(k.frame());
  }
  const bool moving = !frames.empty();
  if (!moving) frames.push_back(0);
  std::sort(frames.begin(), frames.end());
  for (int32_t frame : frames) {
    double last = NumberAt(*parts[0].number, frame, parts[0].otherwise);
    for (size_t i = 1; i < parts.size(); ++i) {
      const double v = NumberAt(*parts[i].number, frame, parts[i].otherwise);
      if (strictly ? v <= last : v < last) {
        const Place here = at.Field(parts[i].name);
        faults->Add(here.path, absl::StrCat(here.words, moving ? absl::StrCat(" at frame ", frame) : "", ": ", v,
                                            strictly ? " must be above `" : " must not be below `", parts[i - 1].name,
                                            "`, which is ", last));
        return;
      }
      last = v;
    }
  }
}

// The direction of the colour is what a key works along, and grey has none.
void CheckHue(const Place& at, const Screen& screen, Faults* faults) {
  if (screen.from_case() != Screen::kColor) return;
  const Color& c = screen.color();
  const Place here = at.Field("color");
  const auto grey = [](double r, double g, double b) { return r == g && g == b; };
  const auto refuse = [&](const std::string& frame, double r, double g, double b) {
    faults->Add(here.path, absl::StrCat(here.words, frame, ": ", r, ", ", g, ", ", b,
                                        " is grey; give the colour of the screen, with a hue"));
  };
  if (c.has_r() && c.has_g() && c.has_b() && grey(c.r(), c.g(), c.b())) refuse("", c.r(), c.g(), c.b());
  for (const auto& k : c.at()) {
    if (!grey(k.r(), k.g(), k.b())) continue;
    return refuse(absl::StrCat(" at frame ", k.frame()), k.r(), k.g(), k.b());
  }
}

void CheckLight(const Place& at, const Screen& screen, bool elsewhere, Faults* faults) {
  const bool box = screen.from_case() == Screen::kSample;
  if (screen.from_case() == Screen::kColor || screen.from_case() == Screen::kCleanPlate || (box && !elsewhere)) return;
  const char* why = box ? "a box is measured in the step's own input, where this screen is not to be seen"
                        : "a hue alone does not say how bright the screen is";
  faults->Add(at.path,
              absl::StrCat(at.words, ": ", why,
                           elsewhere ? ": set `color` or `clean_plate`" : ": set `color`, `sample` or `clean_plate`"));
}

void CheckScreen(const Place& at, const Screen& screen, ScreenNeed need, Faults* faults) {
  if (need == SCREEN_HUE) CheckHue(at, screen, faults);
  if (need == SCREEN_LIGHT || need == SCREEN_LIGHT_ELSEWHERE) {
    CheckLight(at, screen, need == SCREEN_LIGHT_ELSEWHERE, faults);
  }
}

void CheckList(const Place& at, const Message& params, const FieldDescriptor* f, const ParamTraits& traits,
               Faults* faults) {
  const Reflection* r = params.GetReflection();
  const int count = r->FieldSize(params, f);
  if (count < static_cast<int>(traits.at_least())) {
    faults->Add(at.path, absl::StrCat(at.words, ": needs at least ", traits.at_least(), " of `", std::string(f->name()),
                                      "`, has ", count));
    return;
  }
  if (traits.ascending_by().empty()) return;
  const FieldDescriptor* by = f->message_type()->FindFieldByName(traits.ascending_by());
  const auto value = [&](int i) {
    const Message& item = r->GetRepeatedMessage(params, f, i);
    return item.GetReflection()->GetDouble(item, by);
  };
  for (int i = 1; i < count; ++i) {
    if (value(i) > value(i - 1)) continue;
    const Place here = at.Item(f->name(), i).Field(by->name());
    faults->Add(here.path,
                absl::StrCat(here.words, ": ", value(i), " comes after ", value(i - 1), ", they must ascend"));
    return;
  }
}

// "a", "a or b", "a, b or c", each as code.
std::string OneOf(const google::protobuf::OneofDescriptor* choice) {
  std::string names;
  for (int i = 0; i < choice->field_count(); ++i) {
    const char* between = i == 0 ? "" : i + 1 == choice->field_count() ? " or " : ", ";
    absl::StrAppend(&names, between, "`", std::string(choice->field(i)->name()), "`");
  }
  return names;
}

void CheckChoices(const Place& at, const Message& params, Faults* faults) {
  const Descriptor* d = params.GetDescriptor();
  for (int i = 0; i < d->real_oneof_decl_count(); ++i) {
    const auto* one = d->oneof_decl(i);
    const std::string& says = one->options().GetExtension(choice).says();
    if (says.empty() || params.GetReflection()->HasOneof(params, one)) continue;
    faults->Add(at.path, absl::StrCat(at.words, ": needs ", says, ": set ", OneOf(one)));
  }
}

// "restore: BACKGROUND": whether that field has that value.
bool Has(const Message& params, const std::string& setting) {
  const size_t colon = setting.find(':');
  const FieldDescriptor* f = params.GetDescriptor()->FindFieldByName(setting.substr(0, colon));
  return params.GetReflection()->GetEnum(params, f)->name() == setting.substr(colon + 2);
}

void CheckNeeded(const Place& at, const Message& params, const FieldDescriptor* f, const std::string& setting,
                 Faults* faults) {
  if (!Has(params, setting) || !params.GetReflection()->GetString(params, f).empty()) return;
  const Place here = at.Field(setting.substr(0, setting.find(':')));
  faults->Add(here.path,
              absl::StrCat(at.words, " ", setting, " needs the name of a picture: set `", std::string(f->name()), "`"));
}

}  // namespace

void CheckMeaning(const Place& at, const Step& step, Faults* faults) {
  const Message& params = ParamsOf(step);
  for (const auto& order : OperatorOf(step)->traits.ascending()) {
    CheckOrder(at, PartsOf(params, order), order.strictly(), faults);
  }
  CheckChoices(at, params, faults);
  for (int i = 0; i < params.GetDescriptor()->field_count(); ++i) {
    const FieldDescriptor* f = params.GetDescriptor()->field(i);
    const ParamTraits& traits = TraitsOf(f);
    if (f->is_repeated()) {
      CheckList(at, params, f, traits, faults);
    } else if (f->message_type() == Screen::descriptor()) {
      const auto& screen = static_cast<const Screen&>(params.GetReflection()->GetMessage(params, f));
      CheckScreen(at.Field(f->name()), screen, traits.screen(), faults);
    } else if (!traits.needed_with().empty()) {
      CheckNeeded(at, params, f, traits.needed_with(), faults);
    }
  }
}

}  // namespace selvage::plan
