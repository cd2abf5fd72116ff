#include "client/svg/svg_file.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>
#include <optional>
#include <set>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_split.h"
#include "client/language/syntax.h"
#include "client/svg/outline.h"
#include "client/utf8.h"
#include "proto/status.h"
#include "proto/svg_path.h"

namespace selvage::client {
namespace {

constexpr size_t kMostBytes = 64u << 20, kMostShapes = 10'000;
constexpr int kDeepest = 200;

// x' = a x + c y + e, y' = b x + d y + f, as SVG 1.1 section 7.5 writes it.
struct Matrix {
  double a = 1, b = 0, c = 0, d = 1, e = 0, f = 0;

  Matrix operator*(const Matrix& m) const {
    return {a * m.a + c * m.b, b * m.a + d * m.b,     a * m.c + c * m.d,
            b * m.c + d * m.d, a * m.e + c * m.f + e, b * m.e + d * m.f + f};
  }
  void Apply(double* x, double* y) const {
    const double px = *x, py = *y;
    *x = a * px + c * py + e;
    *y = b * px + d * py + f;
  }
};

using Attributes = std::map<std::string, std::string>;

std::string Get(const Attributes& attributes, const std::string& name) {
  const auto found = attributes.find(name);
  return found == attributes.end() ? "" : found->second;
}

// Behind the prefix of a name space.
std::string LocalName(const std::string& name) { return name.substr(name.find(':') + 1); }

std::vector<double> Numbers(absl::string_view text) {
  std::vector<double> out;
  for (absl::string_view piece : absl::StrSplit(text, absl::ByAnyChar(", \t\r\n"), absl::SkipEmpty())) {
    double v;
    if (!absl::SimpleAtod(piece, &v) || !std::isfinite(v)) return {};
    out.push_back(v);
  }
  return out;
}

// A length in pixels; nullopt for other units and none.
std::optional<double> Pixels(std::string text) {
  if (absl::EndsWith(text, "px")) text.resize(text.size() - 2);
  double v;
  if (!absl::SimpleAtod(text, &v) || !std::isfinite(v)) return std::nullopt;
  return v;
}

absl::StatusOr<Matrix> ReadTransform(absl::string_view text) {
  Matrix out;
  text = absl::StripAsciiWhitespace(text);
  while (!text.empty()) {
    const size_t open = text.find('('), close = text.find(')');
    if (open == absl::string_view::npos || close == absl::string_view::npos || close < open) {
      return absl::InvalidArgumentError("a transform is not closed");
    }
    const std::string name(absl::StripAsciiWhitespace(text.substr(0, open)));
    const std::vector<double> n = Numbers(text.substr(open + 1, close - open - 1));
    const auto radians = [&](size_t i) { return n[i] * std::numbers::pi / 180; };
    Matrix m;
    if (name == "matrix" && n.size() == 6) {
      m = {n[0], n[1], n[2], n[3], n[4], n[5]};
    } else if (name == "translate" && (n.size() == 1 || n.size() == 2)) {
      m.e = n[0];
      m.f = n.size() == 2 ? n[1] : 0;
    } else if (name == "scale" && (n.size() == 1 || n.size() == 2)) {
      m.a = n[0];
      m.d = n.back();
    } else if (name == "rotate" && (n.size() == 1 || n.size() == 3)) {
      const double x = n.size() == 3 ? n[1] : 0, y = n.size() == 3 ? n[2] : 0;
      m = Matrix{1, 0, 0, 1, x, y} *
          Matrix{std::cos(radians(0)), std::sin(radians(0)), -std::sin(radians(0)), std::cos(radians(0)), 0, 0} *
          Matrix{1, 0, 0, 1, -x, -y};
    } else if (name == "skewX" && n.size() == 1) {
      m.c = std::tan(radians(0));
    } else if (name == "skewY" && n.size() == 1) {
      m.b = std::tan(radians(0));
    } else {
      return absl::InvalidArgumentError(
          absl::StrCat("the transform ", name.substr(0, 40), " is not known, or not with ", n.size(), " numbers"));
    }
    out = out * m;
    text = text.substr(close + 1);
    while (!text.empty() && (absl::ascii_isspace(static_cast<unsigned char>(text[0])) || text[0] == ',')) {
      text.remove_prefix(1);
    }
  }
  return out;
}

// What a style attribute or the attribute itself says.
std::string Property(const Attributes& attributes, const std::string& name) {
  for (absl::string_view piece : absl::StrSplit(Get(attributes, "style"), ';')) {
    const size_t colon = piece.find(':');
    if (colon == absl::string_view::npos) continue;
    if (absl::StripAsciiWhitespace(piece.substr(0, colon)) != name) continue;
    return std::string(absl::StripAsciiWhitespace(piece.substr(colon + 1)));
  }
  return Get(attributes, name);
}

class Reader {
 public:
  Reader(absl::string_view text, const Format& format) : text_(text), format_(format) {}

  absl::StatusOr<SvgDrawing> Read() {
    if (text_.size() > kMostBytes) return absl::InvalidArgumentError("more than 64 MiB is too large for a drawing");
    if (InvalidUtf8At(text_) != absl::string_view::npos) return absl::InvalidArgumentError("this is no text in UTF-8");
    while (at_ < text_.size()) RETURN_IF_ERROR(Next());
    if (!root_) return Wrong("there is no <svg> in it");
    if (!open_.empty()) return Wrong(absl::StrCat("<", open_.back().name, "> is never closed"));
    for (const auto& [name, count] : skipped_) {
      out_.left_out.push_back(absl::StrCat("<", name, ">", count > 1 ? absl::StrCat(", ", count, " times") : "",
                                           ": only outlines are taken; make paths of it where it was drawn"));
    }
    out_.layers.erase(
        std::remove_if(out_.layers.begin(), out_.layers.end(), [](const auto& l) { return l.shapes.empty(); }),
        out_.layers.end());
    return std::move(out_);
  }

 private:
  struct Element {
    std::string name;
    Matrix to_pixels;
    // What is drawn in it counts for nothing.
    bool hidden = false;
    bool even_odd = false;
    size_t layer = 0;
  };

  absl::Status Wrong(const std::string& what) const {
    const auto [line, column] = LineIndex(text_).At(std::min(tag_, text_.size()));
    return absl::InvalidArgumentError(absl::StrCat(line, ":", column, ": ", what));
  }

  absl::Status Skip(absl::string_view end, const char* what) {
    const size_t found = text_.find(end, at_);
    if (found == absl::string_view::npos) return Wrong(absl::StrCat(what, " is never closed"));
    at_ = found + end.size();
    return absl::OkStatus();
  }

  absl::Status Next() {
    const size_t tag = text_.find('<', at_);
    if (tag == absl::string_view::npos) {
      at_ = tag_ = text_.size();
      return absl::OkStatus();
    }
    at_ = tag_ = tag;
    const absl::string_view rest = text_.substr(at_);
    if (absl::StartsWith(rest, "<!--")) return Skip("-->", "a comment");
    if (absl::StartsWith(rest, "<![CDATA[")) return Skip("]]>", "a CDATA section");
    if (absl::StartsWith(rest, "<?")) return Skip("?>", "an instruction");
    if (absl::StartsWith(rest, "<!")) {
      // Entities of its own would make a small file a large one.
      if (rest.substr(0, std::min(rest.find('>'), rest.size())).find('[') != absl::string_view::npos) {
        return Wrong("declarations inside of <!DOCTYPE [...]> are not read: save it as plain SVG");
      }
      return Skip(">", "a declaration");
    }
    if (absl::StartsWith(rest, "</")) return Close();
    return Open();
  }

  absl::Status Close() {
    const size_t end = text_.find('>', at_);
    if (end == absl::string_view::npos) return Wrong("a tag is never closed");
    const std::string name(absl::StripAsciiWhitespace(text_.substr(at_ + 2, end - at_ - 2)));
    if (open_.empty() || open_.back().name != name) {
      return Wrong(absl::StrCat("</", name.substr(0, 40), "> closes nothing that is open"));
    }
    open_.pop_back();
    at_ = end + 1;
    return absl::OkStatus();
  }

  absl::StatusOr<std::string> Unescaped(absl::string_view text) const {
    std::string out;
    for (size_t i = 0; i < text.size(); ++i) {
      if (text[i] != '&') {
        out += text[i];
        continue;
      }
      const size_t end = text.find(';', i);
      if (end == absl::string_view::npos || end - i > 10) return Wrong("a & stands by itself in a value");
      const absl::string_view name = text.substr(i + 1, end - i - 1);
      const std::pair<const char*, char> known[] = {
          {"lt", '<'}, {"gt", '>'}, {"amp", '&'}, {"quot", '"'}, {"apos", '\''}};
      const auto* found =
          std::find_if(std::begin(known), std::end(known), [&](const auto& k) { return name == k.first; });
      if (found != std::end(known)) {
        out += found->second;
      } else if (absl::StartsWith(name, "#")) {
        // Numbers of white space matter in path data; of other characters only in names.
        int code = 0;
        const bool read = absl::StartsWith(name, "#x") ? absl::SimpleHexAtoi(name.substr(2), &code)
                                                       : absl::SimpleAtoi(name.substr(1), &code);
        out += read && code > 0 && code < 0x80 ? static_cast<char>(code) : '?';
      } else {
        return Wrong(absl::StrCat("&", name, "; is not known"));
      }
      i = end;
    }
    return out;
  }

  absl::Status Open() {
    ++at_;
    const size_t name_end = text_.find_first_of(" \t\r\n/>", at_);
    if (name_end == absl::string_view::npos || name_end == at_) return Wrong("a name belongs after <");
    Element element;
    element.name = std::string(text_.substr(at_, name_end - at_));
    at_ = name_end;
    Attributes attributes;
    bool closed = false;
    while (true) {
      at_ = text_.find_first_not_of(" \t\r\n", at_);
      if (at_ == absl::string_view::npos) {
        at_ = text_.size();
        return Wrong(absl::StrCat("the tag <", element.name, "> is never closed"));
      }
      if (text_[at_] == '>') break;
      if (text_.substr(at_, 2) == "/>") {
        closed = true;
        ++at_;
        break;
      }
      const size_t equals = text_.find_first_of("=>", at_);
      if (equals == absl::string_view::npos || text_[equals] != '=') return Wrong("a value is missing in this tag");
      const std::string name(absl::StripAsciiWhitespace(text_.substr(at_, equals - at_)));
      const size_t quote = text_.find_first_not_of(" \t\r\n", equals + 1);
      if (quote == absl::string_view::npos || (text_[quote] != '"' && text_[quote] != '\'')) {
        return Wrong(absl::StrCat("the value of ", name.substr(0, 40), " has no quotes"));
      }
      const size_t end = text_.find(text_[quote], quote + 1);
      if (end == absl::string_view::npos)
        return Wrong(absl::StrCat("the value of ", name.substr(0, 40), " never ends"));
      ASSIGN_OR_RETURN(attributes[name], Unescaped(text_.substr(quote + 1, end - quote - 1)));
      at_ = end + 1;
    }
    RETURN_IF_ERROR(Enter(&element, attributes));
    ++at_;
    if (closed) return absl::OkStatus();
    if (open_.size() >= kDeepest) return Wrong("groups are nested too deeply");
    open_.push_back(std::move(element));
    return absl::OkStatus();
  }

  absl::Status Enter(Element* element, const Attributes& attributes) {
    const std::string name = LocalName(element->name);
    if (open_.empty()) {
      if (name != "svg" || root_) return Wrong(absl::StrCat("<", element->name, "> where <svg> was expected"));
      root_ = true;
      out_.layers.push_back({});
      ASSIGN_OR_RETURN(element->to_pixels, OfRoot(attributes));
      return absl::OkStatus();
    }
    const Element& around = open_.back();
    element->hidden =
        around.hidden || Property(attributes, "display") == "none" || Property(attributes, "visibility") == "hidden";
    element->layer = around.layer;
    element->even_odd = around.even_odd;
    if (const std::string rule = Property(attributes, "fill-rule"); !rule.empty())
      element->even_odd = rule == "evenodd";
    const auto transform = ReadTransform(Get(attributes, "transform"));
    if (!transform.ok()) return Wrong(std::string(transform.status().message()));
    element->to_pixels = around.to_pixels * *transform;
    if (name == "g" || name == "a") {
      if (open_.size() > 1) return absl::OkStatus();
      element->layer = out_.layers.size();
      out_.layers.push_back({LayerName(attributes), {}});
      return absl::OkStatus();
    }
    if (element->hidden) return absl::OkStatus();
    // What is only defined is not drawn.
    static const std::set<std::string> kAside = {"defs", "clipPath", "mask", "symbol", "marker", "pattern"};
    if (kAside.count(name) > 0) element->hidden = true;
    static const std::set<std::string> kLost = {"text", "use", "image", "line", "foreignObject", "switch"};
    if (kLost.count(name) > 0) {
      ++skipped_[name];
      element->hidden = true;
    }
    const std::string data = DataOf(name, attributes);
    return data.empty() ? absl::OkStatus() : Draw(data, *element);
  }

  static std::string LayerName(const Attributes& attributes) {
    for (const auto& [name, value] : attributes) {
      if (LocalName(name) == "label") return value;
    }
    return Get(attributes, "id");
  }

  absl::StatusOr<Matrix> OfRoot(const Attributes& attributes) const {
    std::vector<double> box = Numbers(Get(attributes, "viewBox"));
    const auto width = Pixels(Get(attributes, "width")), height = Pixels(Get(attributes, "height"));
    if (box.size() != 4 && width && height) box = {0, 0, *width, *height};
    if (box.size() != 4 || !(box[2] > 0) || !(box[3] > 0)) return Matrix();
    double x = width.value_or(box[2]) / box[2], y = height.value_or(box[3]) / box[3];
    if (format_.width() > 0 && format_.height() > 0) {
      x = format_.width() / box[2];
      y = format_.height() / box[3];
    }
    if (std::abs(x - y) > 0.01 * std::max(x, y)) {
      return Wrong(absl::StrFormat("the drawing is %g x %g and the picture %u x %u: draw on a page of the same shape",
                                   box[2], box[3], format_.width(), format_.height()));
    }
    return Matrix{x, 0, 0, y, -x * box[0], -y * box[1]};
  }

  // Path data of a basic shape; "" of what draws nothing.
  static std::string DataOf(const std::string& name, const Attributes& attributes) {
    const auto number = [&](const char* what) { return Pixels(Get(attributes, what)).value_or(0); };
    if (name == "path") return Get(attributes, "d");
    if (name == "polygon" || name == "polyline") {
      const std::vector<double> points = Numbers(Get(attributes, "points"));
      std::string out;
      for (size_t i = 0; i + 1 < points.size(); i += 2) {
        absl::StrAppend(&out, i == 0 ? "M " : " L ", points[i], " ", points[i + 1]);
      }
      return out.empty() ? "" : out + " Z";
    }
    if (name == "circle" || name == "ellipse") {
      const double rx = name == "circle" ? number("r") : number("rx"), ry = name == "circle" ? rx : number("ry");
      if (!(rx > 0) || !(ry > 0)) return "";
      return absl::StrFormat("M %.9g %.9g a %.9g %.9g 0 0 1 %.9g 0 a %.9g %.9g 0 0 1 %.9g 0 Z", number("cx") - rx,
                             number("cy"), rx, ry, 2 * rx, rx, ry, -2 * rx);
    }
    if (name != "rect") return "";
    const double x = number("x"), y = number("y"), w = number("width"), h = number("height");
    if (!(w > 0) || !(h > 0)) return "";
    const auto given_x = Pixels(Get(attributes, "rx")), given_y = Pixels(Get(attributes, "ry"));
    const double rx = std::clamp(given_x.value_or(given_y.value_or(0)), 0.0, w / 2);
    const double ry = std::clamp(given_y.value_or(given_x.value_or(0)), 0.0, h / 2);
    if (rx == 0 || ry == 0) return absl::StrFormat("M %.9g %.9g h %.9g v %.9g h %.9g Z", x, y, w, h, -w);
    const auto corner = [&](double to_x, double to_y) {
      return absl::StrFormat(" a %.9g %.9g 0 0 1 %.9g %.9g", rx, ry, to_x, to_y);
    };
    return absl::StrFormat("M %.9g %.9g h %.9g", x + rx, y, w - 2 * rx) + corner(rx, ry) +
           absl::StrFormat(" v %.9g", h - 2 * ry) + corner(-rx, ry) + absl::StrFormat(" h %.9g", 2 * rx - w) +
           corner(-rx, -ry) + absl::StrFormat(" v %.9g", 2 * ry - h) + corner(rx, -ry) + " Z";
  }

  absl::Status Draw(const std::string& data, const Element& element) {
    const absl::StatusOr<SvgPath> path = ParseSvgPath(data);
    if (!path.ok()) return Wrong(absl::StrCat("path data, ", path.status().message()));
    std::vector<std::vector<double>> curves;
    for (const SubPath& sub : path->sub_paths) {
      curves.push_back(sub.xy);
      for (size_t i = 0; i + 1 < curves.back().size(); i += 2) {
        double& x = curves.back()[i];
        double& y = curves.back()[i + 1];
        element.to_pixels.Apply(&x, &y);
        // Where no path of a stack may lie; also what is no number any more.
        if (!(std::abs(x) <= 1e6 && std::abs(y) <= 1e6)) {
          return Wrong("a transform moves the shape more than 1,000,000 pixels away");
        }
      }
    }
    if (curves.empty()) return absl::OkStatus();
    if (++shapes_ > kMostShapes) return Wrong(absl::StrCat("more than ", kMostShapes, " shapes"));
    out_.layers[element.layer].shapes.push_back({PathData(curves), element.even_odd});
    return absl::OkStatus();
  }

  absl::string_view text_;
  const Format& format_;
  // Where it reads, and where the tag begins that it is in.
  size_t at_ = 0, tag_ = 0, shapes_ = 0;
  bool root_ = false;
  std::vector<Element> open_;
  std::map<std::string, int> skipped_;
  SvgDrawing out_;
};

// "boots 1012" -> "boots", 1012, if that is a frame.
std::pair<std::string, std::optional<int>> NameAndFrame(const std::string& name, const FrameRange& frames) {
  size_t digits = name.size();
  while (digits > 0 && absl::ascii_isdigit(static_cast<unsigned char>(name[digits - 1]))) --digits;
  int frame = 0;
  if (digits == name.size() || !absl::SimpleAtoi(name.substr(digits), &frame) || frame < frames.first() ||
      frame > frames.last()) {
    return {name, std::nullopt};
  }
  std::string before = name.substr(0, digits);
  while (!before.empty() && absl::StrContains(" _-.@", before.back())) before.pop_back();
  return {before, frame};
}

std::string Escaped(const std::string& text) {
  std::string out;
  for (const char c : text) {
    if (c == '&') {
      out += "&amp;";
    } else if (c == '<') {
      out += "&lt;";
    } else if (c == '"') {
      out += "&quot;";
    } else {
      out += c;
    }
  }
  return out;
}

}  // namespace

absl::StatusOr<SvgDrawing> ReadSvg(absl::string_view text, const Format& format) { return Reader(text, format).Read(); }

absl::StatusOr<std::vector<Mask>> MasksOf(const SvgDrawing& drawing, const FrameRange& frames,
                                          const std::string& otherwise) {
  // Layers of a mask by frame; without one: drawn for all frames.
  std::map<std::string, std::map<std::optional<int>, const SvgLayer*>> masks;
  std::vector<std::string> order;
  for (const SvgLayer& layer : drawing.layers) {
    auto [name, frame] = NameAndFrame(layer.name, frames);
    if (name.empty()) name = otherwise;
    if (masks.count(name) == 0) order.push_back(name);
    if (!masks[name].emplace(frame, &layer).second) {
      return absl::InvalidArgumentError(absl::StrCat("two layers are called \"", layer.name, "\""));
    }
  }
  if (order.empty()) return absl::InvalidArgumentError("nothing is drawn in it");
  std::vector<Mask> out;
  for (const std::string& name : order) {
    const auto& layers = masks[name];
    if (layers.size() > 1 && layers.begin()->first == std::nullopt) {
      return absl::InvalidArgumentError(absl::StrCat("the layer \"", name,
                                                     "\" has no frame in its name, and others of the "
                                                     "same name have: give it one, as in \"",
                                                     name, " ", frames.first(), "\""));
    }
    Mask mask;
    mask.set_name(name);
    const SvgLayer& first = *layers.begin()->second;
    for (const auto& [frame, layer] : layers) {
      if (layer->shapes.size() != first.shapes.size()) {
        return absl::InvalidArgumentError(absl::StrCat("the layer \"", layer->name, "\" has ", layer->shapes.size(),
                                                       " shapes and \"", first.name, "\" has ", first.shapes.size(),
                                                       ": key frames have the same shapes in the same order"));
      }
      for (size_t i = 0; i < layer->shapes.size(); ++i) {
        const SvgShape& drawn = layer->shapes[i];
        Mask::Shape* shape =
            static_cast<int>(i) < mask.shape_size() ? mask.mutable_shape(static_cast<int>(i)) : mask.add_shape();
        if (drawn.even_odd) shape->set_rule(Mask::EVENODD);
        if (!frame) {
          shape->set_path(drawn.path);
          continue;
        }
        if (shape->at_size() > 0) {
          ASSIGN_OR_RETURN(const SvgPath before, ParseSvgPath(shape->at(shape->at_size() - 1).path()));
          ASSIGN_OR_RETURN(const SvgPath now, ParseSvgPath(drawn.path));
          if (!CanMove(before, now)) {
            return absl::InvalidArgumentError(
                absl::StrCat("shape ", i + 1, " of the layer \"", layer->name, "\" has other ",
                             "segments than in the layer before it: key frames have as many "
                             "points as each other"));
          }
        }
        Mask::KeyFrame* key = shape->add_at();
        key->set_frame(*frame);
        key->set_path(drawn.path);
      }
    }
    out.push_back(std::move(mask));
  }
  return out;
}

absl::StatusOr<std::string> WriteSvg(const Mask& mask, const Format& format) {
  std::set<int> frames;
  for (const Mask::Shape& shape : mask.shape()) {
    for (const auto& key : shape.at()) frames.insert(key.frame());
  }
  std::string out = "<svg xmlns=\"http://www.w3.org/2000/svg\"";
  if (format.width() > 0) {
    absl::StrAppend(&out, " width=\"", format.width(), "\" height=\"", format.height(), "\" viewBox=\"0 0 ",
                    format.width(), " ", format.height(), "\"");
  }
  out += ">\n";
  const auto layer = [&](const std::string& name, int frame) -> absl::Status {
    absl::StrAppend(&out, "  <g id=\"", Escaped(name), "\" fill=\"#000\" fill-opacity=\"0.5\">\n");
    for (const Mask::Shape& shape : mask.shape()) {
      ASSIGN_OR_RETURN(const SvgPath path, OutlineAt(shape, frame, mask.has_follow()));
      std::vector<std::vector<double>> curves;
      for (const SubPath& sub : path.sub_paths) curves.push_back(sub.xy);
      absl::StrAppend(&out, "    <path", shape.rule() == Mask::EVENODD ? " fill-rule=\"evenodd\"" : "", " d=\"",
                      PathData(curves), "\"/>\n");
    }
    out += "  </g>\n";
    return absl::OkStatus();
  };
  if (frames.empty()) RETURN_IF_ERROR(layer(mask.name(), 0));
  for (const int frame : frames) RETURN_IF_ERROR(layer(absl::StrCat(mask.name(), "_", frame), frame));
  return out + "</svg>\n";
}

}  // namespace selvage::client
