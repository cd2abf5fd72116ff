#include "client/completion.h"

#include <algorithm>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_replace.h"

namespace selvage::client {
namespace {

// In single quotes, for any of the three shells; a line.
std::string Quoted(const std::string& text) {
  return absl::StrCat("'", absl::StrReplaceAll(text, {{"'", "'\\''"}, {"\n", " "}}), "'");
}

std::vector<std::string> NamesOf(const CompletedCommand& command) {
  std::vector<std::string> names;
  for (const CompletedOption& o : command.options) names.insert(names.end(), o.names.begin(), o.names.end());
  return names;
}

std::string LastWord(const std::string& name) { return name.substr(name.find_last_of(' ') + 1); }
std::string ParentOf(const std::string& name) {
  const size_t space = name.find_last_of(' ');
  return space == std::string::npos ? "" : name.substr(0, space);
}

// "submit|watch" and what to offer for the value of an option, in bash.
void AppendBashValues(const CompletedCommand& command, std::string* out) {
  for (const CompletedOption& o : command.options) {
    if (!o.takes_value) continue;
    absl::StrAppend(out, "    ");
    for (size_t i = 0; i < o.names.size(); ++i) {
      absl::StrAppend(out, i > 0 ? "|" : "", Quoted(absl::StrCat(command.name, " ", o.names[i])));
    }
    if (o.file) {
      absl::StrAppend(out, ") COMPREPLY=($(compgen -f -- \"$current\")); return ;;\n");
    } else {
      absl::StrAppend(out, ") COMPREPLY=($(compgen -W ", Quoted(absl::StrJoin(o.words, " ")),
                      " -- \"$current\")); return ;;\n");
    }
  }
}

// "[text]" of an option of zsh's _arguments.
std::string ZshHelp(const std::string& help) {
  return absl::StrReplaceAll(help, {{"[", "("}, {"]", ")"}, {":", "\\:"}, {"\n", " "}});
}

std::string ZshValue(const CompletedOption& o) {
  if (!o.takes_value) return "";
  if (o.file) return ":file:_files";
  return o.words.empty() ? ":value: " : absl::StrCat(":value:(", absl::StrJoin(o.words, " "), ")");
}

void AppendZshOptions(const CompletedCommand& command, const std::string& indent, std::string* out) {
  for (const CompletedOption& o : command.options) {
    for (const std::string& name : o.names) {
      absl::StrAppend(out, " \\\n", indent,
                      Quoted(absl::StrCat(o.repeats ? "*" : "", name, "[", ZshHelp(o.help), "]", ZshValue(o))));
    }
  }
}

}  // namespace

std::string BashCompletion(const std::vector<CompletedCommand>& commands) {
  std::string inside, values, offers;
  for (const CompletedCommand& c : commands) {
    for (const std::string& word : c.inside) {
      absl::StrAppend(&inside, inside.empty() ? "      " : "|", Quoted(absl::StrCat(c.name, " ", word)));
    }
    AppendBashValues(c, &values);
    std::vector<std::string> words = c.inside;
    words.insert(words.end(), c.words.begin(), c.words.end());
    const std::vector<std::string> names = NamesOf(c);
    words.insert(words.end(), names.begin(), names.end());
    absl::StrAppend(&offers, "    ", Quoted(c.name), ") words=", Quoted(absl::StrJoin(words, " ")),
                    c.files ? " files=-f" : "", " ;;\n");
  }
  return absl::StrCat("# bash completion of selvage; made by `selvage completion bash`\n", R"(_selvage() {
  local current=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD - 1]} command= words= files= i
  for ((i = 1; i < COMP_CWORD; ++i)); do
    case "$command ${COMP_WORDS[i]}" in
)",
                      inside, R"() command="${command:+$command }${COMP_WORDS[i]}" ;;
    esac
  done
  case "$command $before" in
)",
                      values, R"(  esac
  case "$command" in
)",
                      offers, R"(  esac
  COMPREPLY=($(compgen -W "$words" -- "$current"))
  [ -z "$files" ] || COMPREPLY+=($(compgen -f -- "$current"))
}
complete -o filenames -F _selvage selvage
)");
}

std::string ZshCompletion(const std::vector<CompletedCommand>& commands) {
  std::string out =
      "#compdef selvage\n# zsh completion of selvage; made by `selvage completion zsh`\n_selvage() {\n"
      "  local command= word\n"
      "  for word in \"${(@)words[2,CURRENT-1]}\"; do\n    case \"$command $word\" in\n      ";
  std::vector<std::string> inside;
  for (const CompletedCommand& c : commands) {
    for (const std::string& word : c.inside) inside.push_back(Quoted(absl::StrCat(c.name, " ", word)));
  }
  absl::StrAppend(&out, absl::StrJoin(inside, "|"),
                  ") command=\"${command:+$command }$word\" ;;\n    esac\n  done\n  case \"$command\" in\n");
  for (const CompletedCommand& c : commands) {
    absl::StrAppend(&out, "    ", Quoted(c.name), ")\n      _arguments");
    AppendZshOptions(c, "        ", &out);
    std::string offered;
    for (const CompletedCommand& in : commands) {
      if (in.name.empty() || ParentOf(in.name) != c.name) continue;
      absl::StrAppend(&offered, " ", LastWord(in.name),
                      "\\:", Quoted(absl::StrReplaceAll(in.help, {{":", "\\:"}, {"(", "\\("}, {")", "\\)"}})));
    }
    std::string action = c.files ? "_files" : absl::StrCat("(", absl::StrJoin(c.words, " "), ")");
    if (!offered.empty()) action = absl::StrCat("((", offered.substr(1), "))");
    absl::StrAppend(&out, " \\\n        ",
                    Quoted(absl::StrCat("*:", offered.empty() ? "argument" : "command", ":", action)), " ;;\n");
  }
  absl::StrAppend(&out, "  esac\n}\n_selvage \"$@\"\n");
  return out;
}

std::string FishCompletion(const std::vector<CompletedCommand>& commands) {
  std::string out = "# fish completion of selvage; made by `selvage completion fish`\n";
  for (const CompletedCommand& c : commands) {
    // Nothing but what is said below: most arguments are no files.
    std::string here = "__fish_use_subcommand";
    if (!c.name.empty()) {
      here = absl::StrCat("__fish_seen_subcommand_from ", LastWord(c.name));
      if (!ParentOf(c.name).empty())
        here = absl::StrCat("__fish_seen_subcommand_from ", ParentOf(c.name), "; and ", here);
    }
    const std::string begin = absl::StrCat("complete -c selvage -n ", Quoted(here));
    for (const CompletedCommand& in : commands) {
      if (in.name.empty() || ParentOf(in.name) != c.name) continue;
      absl::StrAppend(&out, begin, " -f -a ", LastWord(in.name), " -d ", Quoted(in.help), "\n");
    }
    if (!c.words.empty()) absl::StrAppend(&out, begin, " -f -a ", Quoted(absl::StrJoin(c.words, " ")), "\n");
    if (!c.files && c.words.empty() && c.inside.empty()) absl::StrAppend(&out, begin, " -f\n");
    for (const CompletedOption& o : c.options) {
      std::string line = begin;
      for (const std::string& name : o.names) {
        absl::StrAppend(&line, name[1] == '-' ? " -l " : " -s ", name.substr(name[1] == '-' ? 2 : 1));
      }
      if (o.takes_value) absl::StrAppend(&line, o.file ? " -r -F" : " -x");
      if (!o.words.empty()) absl::StrAppend(&line, " -a ", Quoted(absl::StrJoin(o.words, " ")));
      absl::StrAppend(&out, line, " -d ", Quoted(o.help), "\n");
    }
  }
  return out;
}

}  // namespace selvage::client
