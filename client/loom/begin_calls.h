// A loom that is open on no stack opens one, or makes one for a plate. Used from the loom's thread.
#pragma once

#include <functional>
#include <string>

#include "client/loom/daemon.h"
#include "client/loom/document.h"
#include "client/loom/http_server.h"
#include "client/start/starting_stack.h"

namespace selvage::client {

class BeginCalls {
 public:
  // `opened`: called when `document` has become a stack.
  BeginCalls(Document* document, Daemon* daemon, std::function<void()> opened)
      : document_(document), daemon_(daemon), opened_(std::move(opened)) {}

  // README.md, by the addresses.
  void Files(const Exchange& exchange) const;
  void Open(const Exchange& exchange);
  void New(const Exchange& exchange);

 private:
  // False when it has been answered that there is a stack already.
  bool MayBegin(const Exchange& exchange) const;
  void OpenPath(const Exchange& exchange, const std::string& path, const PlateFindings* findings);

  Document* const document_;
  Daemon* const daemon_;
  const std::function<void()> opened_;
  bool making_ = false;
};

}  // namespace selvage::client
