#include "server/door/permissions.h"

#include <algorithm>

#include "absl/strings/str_cat.h"
#include "proto/door/route.h"

namespace selvage {
namespace {

constexpr unsigned Of(Token::Role role) { return 1u << role; }

constexpr unsigned kAdministrators = Of(Token::ADMINISTRATOR);
constexpr unsigned kWorkers = Of(Token::WORKER) | kAdministrators;
constexpr unsigned kSubmitters = Of(Token::SUBMITTER) | kAdministrators;
constexpr unsigned kPeople = Of(Token::VIEWER) | kSubmitters;
constexpr unsigned kAll = kPeople | kWorkers;
// No token at all.
constexpr unsigned kAnybody = ~0u;

struct Row {
  const char* method;
  unsigned roles;
};

// Submitters change only what belongs to their own stacks: engine/asker.h.
constexpr Row kTable[] = {
    {"/selvage.DoorService/WhoAmI", kAll},

    {"/selvage.JobService/ListJobs", kPeople},
    {"/selvage.JobService/GetJob", kPeople},
    {"/selvage.JobService/Watch", kPeople},
    {"/selvage.JobService/ListVersions", kPeople},
    {"/selvage.JobService/GetVersion", kPeople},
    {"/selvage.JobService/Trace", kPeople},
    {"/selvage.JobService/Fetch", kPeople},
    // A fetch notes what it wrote on its own host.
    {"/selvage.JobService/FindWritten", kPeople},
    {"/selvage.JobService/RecordWritten", kPeople},
    {"/selvage.JobService/Workers", kPeople},
    {"/selvage.JobService/CacheInfo", kPeople},

    // These read plates below the roots and keep workers busy.
    {"/selvage.JobService/Check", kSubmitters},
    {"/selvage.JobService/Plan", kSubmitters},
    {"/selvage.JobService/Why", kSubmitters},
    {"/selvage.JobService/Look", kSubmitters},
    {"/selvage.JobService/Submit", kSubmitters},
    {"/selvage.JobService/Cancel", kSubmitters},
    {"/selvage.JobService/Invalidate", kSubmitters},
    {"/selvage.JobService/Release", kSubmitters},

    {"/selvage.JobService/VerifyCache", kAdministrators},
    {"/selvage.JobService/Backup", kAdministrators},

    {"/selvage.FarmService/Work", kWorkers},
    {"/selvage.FarmService/Finish", kWorkers},
    {"/selvage.CacheService/FindMissing", kWorkers},
    {"/selvage.CacheService/WriteTiles", kWorkers},
    {"/selvage.CacheService/ReadTiles", kWorkers},

    {"/grpc.health.v1.Health/Check", kAnybody},
    {"/grpc.health.v1.Health/Watch", kAll},
};

const Row* Find(const std::string& method) {
  const auto row = std::find_if(std::begin(kTable), std::end(kTable), [&](const Row& r) { return method == r.method; });
  return row == std::end(kTable) ? nullptr : row;
}

std::string RolesText(unsigned roles) {
  std::string text;
  for (const Token::Role role : {Token::VIEWER, Token::SUBMITTER, Token::WORKER, Token::ADMINISTRATOR}) {
    if (roles & Of(role)) absl::StrAppend(&text, text.empty() ? "" : " or ", RoleText(role));
  }
  return text;
}

}  // namespace

absl::Status MayCall(Token::Role role, const std::string& method) {
  const Row* row = Find(method);
  if (row == nullptr) return absl::PermissionDeniedError(absl::StrCat("nobody may call ", method));
  if (role != Token::ROLE_UNSPECIFIED && (row->roles & Of(role))) return absl::OkStatus();
  return absl::PermissionDeniedError(absl::StrCat("the role of your token is ", RoleText(role), ", and ",
                                                  method.substr(method.rfind('/') + 1), " takes ",
                                                  RolesText(row->roles), "; `selvage whoami` says who you are here"));
}

bool NeedsNoToken(const std::string& method) {
  const Row* row = Find(method);
  return row != nullptr && row->roles == kAnybody;
}

std::vector<std::string> KnownMethods() {
  std::vector<std::string> methods;
  for (const Row& row : kTable) methods.push_back(row.method);
  return methods;
}

}  // namespace selvage
