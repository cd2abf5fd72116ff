#include "client/versions.h"

#include <filesystem>

#include "absl/strings/match.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "client/exit_code.h"
#include "proto/status.h"

namespace selvage::client {

absl::StatusOr<VersionName> ParseVersionName(const std::string& text) {
  VersionName name;
  std::error_code error;
  const size_t at = text.rfind('@');
  // A file may have one in its name.
  if (at == std::string::npos || std::filesystem::is_regular_file(text, error)) {
    name.stack = text;
    return name;
  }
  const std::string number = text.substr(at + 1);
  name.stack = text.substr(0, at);
  uint32_t value = 0;
  if (number != "last" && (!absl::SimpleAtoi(number, &value) || value == 0)) {
    return UsageError(absl::StrCat("\"", text, "\": a version is a number from 1 on or `last`, as in ",
                                   name.stack.empty() ? "apiary_010" : name.stack, "@3"));
  }
  name.number = value;
  return name;
}

absl::StatusOr<std::string> NameOfStack(const std::string& stack) {
  std::error_code error;
  const bool file = std::filesystem::is_regular_file(stack, error) || absl::StrContains(stack, '/') ||
                    absl::EndsWith(stack, ".stack");
  if (!file) return stack;
  ASSIGN_OR_RETURN(const StackFile read, StackFile::Read(stack));
  return read.stack().name();
}

absl::StatusOr<GetVersionReply> GetVersion(Connection& connection, const std::string& stack, uint32_t number,
                                           bool text) {
  GetVersionRequest request;
  request.set_stack_name(stack);
  request.set_number(number);
  request.set_text(text);
  GetVersionReply reply;
  auto context = connection.Call();
  RETURN_IF_ERROR(connection.Explain(connection.jobs().GetVersion(context.get(), request, &reply)));
  return reply;
}

std::string InWords(const StackVersion& version) { return absl::StrCat(version.stack_name(), "@", version.number()); }

}  // namespace selvage::client
