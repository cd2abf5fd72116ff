#include "client/language/manual_html.h"

#include <algorithm>
#include <map>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_replace.h"
#include "absl/strings/str_split.h"
#include "client/language/descriptions.h"
#include "client/language/examples.h"
#include "client/language/field_lines.h"
#include "client/language/manual.h"
#include "client/language/words.h"
#include "proto/catalogue.h"
#include "proto/version.h"

namespace selvage::client {
namespace {

constexpr char kPageMark[] = "manual of selvage";
constexpr char kStyle[] = R"(/* manual of selvage */
:root {
  color-scheme: dark light;
  --ground: #1c1c1b; --side: #141414; --field: #111110; --line: #3a3a37;
  --text: #e7e5df; --dim: #aaa79e; --link: #a9cfff; --mark: #e6cf6a;
}
@media (prefers-color-scheme: light), print {
  :root {
    --ground: #fdfdfb; --side: #f3f2ee; --field: #efede6; --line: #bdbab0;
    --text: #1c1c1a; --dim: #57554e; --link: #0a57c2; --mark: #6f5300;
  }
}
* { box-sizing: border-box; }
body {
  margin: 0; display: grid; grid-template-columns: 15rem minmax(0, 1fr);
  background: var(--ground); color: var(--text);
  font: 15px/1.5 system-ui, "DejaVu Sans", sans-serif;
}
nav { background: var(--side); border-right: 1px solid var(--line); padding: 1rem; height: 100vh; overflow: auto; position: sticky; top: 0; }
nav h2 { font-size: .8rem; font-weight: 600; color: var(--dim); margin: 1rem 0 .2rem; }
nav ul { list-style: none; margin: 0; padding: 0; font-size: .9rem; }
nav a { display: block; padding: .05rem .4rem; color: var(--text); text-decoration: none; border-left: 2px solid transparent; }
nav a:hover { text-decoration: underline; }
nav a[aria-current] { border-color: var(--mark); color: var(--mark); }
main { padding: 1.5rem 2.5rem 4rem; max-width: 62rem; }
h1 { font-size: 1.5rem; margin: 0 0 .5rem; }
h2 { font-size: 1.05rem; margin: 2rem 0 .4rem; }
p { max-width: 44rem; }
a { color: var(--link); }
code, pre { font: .88em/1.5 ui-monospace, "DejaVu Sans Mono", monospace; }
pre { background: var(--field); border: 1px solid var(--line); padding: .7rem 1rem; overflow-x: auto; }
.dim, dt span { color: var(--dim); }
table { border-collapse: collapse; }
td:first-child { min-width: 11rem; }
td, th { padding: .15rem 1.2rem .15rem 0; text-align: left; vertical-align: top; font-weight: normal; }
th { color: var(--dim); }
dl { margin: 0; }
dt { margin-top: .9rem; }
dt code { font-weight: 600; color: var(--mark); }
dd { margin: .1rem 0 0 1.5rem; }
dd p { margin: .2rem 0; }
dd ul { margin: .2rem 0; padding-left: 1.1rem; }
:target { outline: 1px solid var(--mark); outline-offset: .3rem; }
.pictures { display: grid; grid-template-columns: 1fr 1fr; gap: 1rem; margin: 1rem 0; }
figure { margin: 0; }
figure img { width: 100%; height: auto; display: block; background: #777; }
figcaption { color: var(--dim); font-size: .85rem; }
.columns { columns: 16rem; }
.columns ul { list-style: none; margin: 0; padding: 0; }
@media (max-width: 52rem) { body { display: block; } nav { position: static; height: auto; } main { padding: 1rem; } }
@media print { nav { display: none; } body { display: block; } }
)";

std::string Escaped(const std::string& text) {
  return absl::StrReplaceAll(text, {{"&", "&amp;"}, {"<", "&lt;"}, {">", "&gt;"}, {"\"", "&quot;"}});
}

std::string Link(const std::string& page, const std::string& words, const std::string& more = "") {
  return absl::StrCat("<a href=\"", page, ".html", more.empty() ? "" : "#", more, "\">", words, "</a>");
}

const std::map<std::string, std::string>& PagesByWord() {
  static const auto* const pages = [] {
    auto* all = new std::map<std::string, std::string>;
    for (const std::string& word : ManualWords()) (*all)[word] = word;
    return all;
  }();
  return *pages;
}

// `code` in comments is set as code, and leads to its page where it has one.
std::string Inline(const std::string& text, const std::string& here) {
  const std::vector<std::string> parts = absl::StrSplit(text, '`');
  // Something in there that is no pair.
  if (parts.size() % 2 == 0) return Escaped(text);
  std::string out;
  for (size_t i = 0; i < parts.size(); ++i) {
    if (i % 2 == 0) {
      absl::StrAppend(&out, Escaped(parts[i]));
      continue;
    }
    const std::string code = absl::StrCat("<code>", Escaped(parts[i]), "</code>");
    const bool leads = parts[i] != here && PagesByWord().contains(parts[i]);
    absl::StrAppend(&out, leads ? Link(parts[i], code) : code);
  }
  return out;
}

// Comments have an empty line between paragraphs, and lines that are moved in where they show something.
std::string Paragraphs(const std::string& text, const std::string& here) {
  std::string out;
  std::vector<std::string> prose, shown;
  const auto flush = [&] {
    if (!prose.empty()) absl::StrAppend(&out, "<p>", Inline(absl::StrJoin(prose, "\n"), here), "</p>\n");
    if (!shown.empty()) absl::StrAppend(&out, "<pre>", Escaped(absl::StrJoin(shown, "\n")), "</pre>\n");
    prose.clear();
    shown.clear();
  };
  for (const std::string& line : std::vector<std::string>(absl::StrSplit(text, '\n'))) {
    const bool moved_in = absl::StartsWith(line, "  ");
    if (line.empty() || (moved_in ? !prose.empty() : !shown.empty())) flush();
    if (line.empty()) continue;
    if (moved_in) {
      shown.push_back(line.substr(2));
    } else {
      prose.push_back(line);
    }
  }
  flush();
  return out;
}

std::string FieldHtml(const FieldText& field, const std::string& here, const std::string& before) {
  const std::string id = before + field.name;
  std::string out = absl::StrCat("<dt id=\"", id, "\"><code>", field.name, "</code> <span>", Inline(field.what, here),
                                 "</span></dt>\n<dd>", Paragraphs(field.about, here));
  if (!field.choices.empty()) {
    out += "<ul>\n";
    for (const auto& [name, about] : field.choices) {
      absl::StrAppend(&out, "<li><code>", name, "</code> ", Inline(about, here), "</li>\n");
    }
    out += "</ul>\n";
  }
  if (!field.inside.empty()) {
    out += "<dl>\n";
    for (const FieldText& inner : field.inside) out += FieldHtml(inner, here, id + ".");
    out += "</dl>\n";
  }
  return out + "</dd>\n";
}

std::string FieldsHtml(const google::protobuf::Descriptor* type, const std::string& here) {
  if (type == Step::descriptor() || type->field_count() == 0) return "";
  std::string out = "<h2>Fields</h2>\n<dl>\n";
  for (int i = 0; i < type->field_count(); ++i) out += FieldHtml(Describe(type->field(i)), here, "");
  return out + "</dl>\n";
}

struct Family {
  std::string name;
  std::vector<const Operator*> operators;
};

std::vector<Family> Families() {
  std::vector<Family> families;
  for (const Operator& op : Operators()) {
    if (op.traits.internal()) continue;
    auto family =
        std::find_if(families.begin(), families.end(), [&](const Family& f) { return f.name == op.traits.family(); });
    if (family == families.end()) family = families.insert(families.end(), {op.traits.family(), {}});
    family->operators.push_back(&op);
  }
  return families;
}

std::string Navigation(const std::string& here) {
  const auto item = [&](const std::string& page, const std::string& words) {
    return absl::StrCat("<li><a href=\"", page, ".html\"", page == here ? " aria-current=\"page\"" : "", ">", words,
                        "</a></li>\n");
  };
  std::string out =
      "<nav aria-label=\"pages\">\n<ul>\n" + item("index", "Contents") + "</ul>\n<h2>the language</h2>\n<ul>\n";
  for (const LanguageWord& word : LanguageWords()) out += item(word.name, word.name);
  for (const Family& family : Families()) {
    absl::StrAppend(&out, "</ul>\n<h2>", Escaped(family.name), "</h2>\n<ul>\n");
    for (const Operator* op : family.operators) out += item(op->name, op->name);
  }
  return out + "</ul>\n</nav>\n";
}

std::string Page(const std::string& here, const std::string& title, const std::string& body) {
  return absl::StrCat("<!DOCTYPE html>\n<!-- ", kPageMark,
                      " -->\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n",
                      "<meta name=\"viewport\" content=\"width=device-width\">\n<title>", Escaped(title),
                      "</title>\n<link rel=\"stylesheet\" href=\"manual.css\">\n</head>\n<body>\n", Navigation(here),
                      "<main>\n", body, "</main>\n</body>\n</html>\n");
}

std::string Pictures(const Operator& op, const std::function<bool(const std::string&)>& has_picture) {
  std::string out;
  for (const char* when : {"before", "after"}) {
    const std::string file = absl::StrCat("pictures/", op.name, "-", when, ".png");
    if (!has_picture(file)) continue;
    absl::StrAppend(&out, "<figure><img src=\"", file, "\" alt=\"the demo shot ", when, " ", op.name, "\"><figcaption>",
                    when, "</figcaption></figure>\n");
  }
  return out.empty() ? "" : "<div class=\"pictures\">\n" + out + "</div>\n";
}

std::string OperatorBody(const Operator& op, const std::function<bool(const std::string&)>& has_picture) {
  const auto row = [](const std::string& what, const std::string& is) {
    return absl::StrCat("<tr><th scope=\"row\">", what, "</th><td>", Escaped(is), "</td></tr>\n");
  };
  return absl::StrCat("<h1>", op.name, "</h1>\n", Paragraphs(DescriptionOf(op.message), op.name),
                      Pictures(op, has_picture), "<table>\n", row("takes", TakesInWords(op)),
                      row("gives", GivesInWords(op)), row("looks at", ExtentInWords(op.traits.extent())),
                      "</table>\n<h2>Example</h2>\n<pre>", Escaped(ExampleStep(op)), "</pre>\n",
                      FieldsHtml(op.message, op.name));
}

std::string WordBody(const LanguageWord& word) {
  return absl::StrCat("<h1>", word.name, "</h1>\n<p class=\"dim\">", Escaped(word.summary), "</p>\n",
                      Paragraphs(word.usually, word.name), Paragraphs(DescriptionOf(word.message), word.name),
                      "<h2>Example</h2>\n<pre>", Escaped(word.example), "</pre>\n",
                      FieldsHtml(word.message, word.name));
}

// Every field with the pages that have one of that name.
std::string FieldIndex() {
  std::map<std::string, std::vector<std::string>> uses;
  const auto add = [&](const google::protobuf::Descriptor* type, const std::string& page) {
    if (type == Step::descriptor()) return;
    for (int i = 0; i < type->field_count(); ++i) uses[type->field(i)->name()].push_back(page);
  };
  for (const LanguageWord& word : LanguageWords()) add(word.message, word.name);
  for (const Operator& op : Operators()) {
    if (!op.traits.internal()) add(op.message, op.name);
  }
  std::string out = "<div class=\"columns\">\n<ul>\n";
  for (const auto& [field, pages] : uses) {
    std::vector<std::string> links;
    for (const std::string& page : pages) links.push_back(Link(page, page, field));
    absl::StrAppend(&out, "<li><code>", field, "</code> <span class=\"dim\">in</span> ", absl::StrJoin(links, ", "),
                    "</li>\n");
  }
  return out + "</ul>\n</div>\n";
}

std::string IndexBody() {
  const auto row = [](const std::string& page, const std::string& summary) {
    return absl::StrCat("<tr><td>", Link(page, absl::StrCat("<code>", page, "</code>")), "</td><td>",
                        Inline(summary, page), "</td></tr>\n");
  };
  std::string out = absl::StrCat("<h1>The language of stacks</h1>\n<p class=\"dim\">Selvage ", kVersion,
                                 "</p>\n<p>A stack is a text: plates, masks, passes made of steps, and what is "
                                 "delivered. Each page has an example that can be copied. In the terminal, ",
                                 "<code>selvage manual WORD</code> prints the same.</p>\n<table>\n");
  for (const LanguageWord& word : LanguageWords()) out += row(word.name, word.summary);
  out += "</table>\n";
  for (const Family& family : Families()) {
    absl::StrAppend(&out, "<h2>", Escaped(family.name), "</h2>\n<table>\n");
    for (const Operator* op : family.operators) out += row(op->name, FirstSentence(DescriptionOf(op->message)));
    out += "</table>\n";
  }
  return absl::StrCat(out, "<h2>All fields</h2>\n", FieldIndex());
}

}  // namespace

std::vector<std::pair<std::string, std::string>> ManualPages(
    const std::function<bool(const std::string&)>& has_picture) {
  std::vector<std::pair<std::string, std::string>> pages;
  pages.emplace_back("index.html", Page("index", "The language of stacks", IndexBody()));
  pages.emplace_back("manual.css", kStyle);
  for (const LanguageWord& word : LanguageWords()) {
    pages.emplace_back(word.name + ".html", Page(word.name, word.name, WordBody(word)));
  }
  for (const Operator& op : Operators()) {
    if (op.traits.internal()) continue;
    pages.emplace_back(op.name + ".html", Page(op.name, op.name, OperatorBody(op, has_picture)));
  }
  return pages;
}

bool IsManualPage(const std::string& content) { return absl::StrContains(content.substr(0, 100), kPageMark); }

}  // namespace selvage::client
