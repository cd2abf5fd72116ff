// Pictures and values for the pages: of each viewer only the newest look goes on. Used from the loom's
// thread; pictures arrive on others.
#pragma once

#include <cstdint>
#include <map>
#include <memory>
#include <set>
#include <string>

#include "client/loom/daemon.h"
#include "client/loom/document.h"
#include "client/loom/http_server.h"
#include "client/loom/version_calls.h"

namespace selvage::client {

class Looks {
 public:
  Looks(const Document* document, Daemon* daemon, VersionCalls* versions)
      : document_(document), daemon_(daemon), versions_(versions) {}

  // README.md, "GET /api/look", "GET /api/values" and "GET /api/format".
  void Look(const Exchange& exchange);
  void Format(const Exchange& exchange);
  // Ends all that go on.
  void Stop();

 private:
  // One picture that is on its way.
  struct Call;

  void Begin(const Exchange& exchange, absl::StatusOr<LookRequest> request, uint32_t version);
  void Forget(const std::shared_ptr<Call>& call);
  void Receive(const std::shared_ptr<Call>& call);
  void Answer(const Call& call, ReceivedFile* file, const absl::Status& status);

  const Document* const document_;
  Daemon* const daemon_;
  VersionCalls* const versions_;
  // By viewer, and all that go on.
  std::map<std::string, std::shared_ptr<Call>> viewers_;
  std::set<std::shared_ptr<Call>> running_;
};

}  // namespace selvage::client
