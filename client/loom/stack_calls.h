// The stack's text between its file and the pages: read, edited, taken back, judged by the
// daemon. Used from the loom's thread.
#pragma once

#include <functional>

#include "client/loom/daemon.h"
#include "client/loom/document.h"
#include "client/loom/events.h"
#include "client/loom/http_server.h"
#include "client/loom/json_reader.h"

namespace selvage::client {

class StackCalls {
 public:
  StackCalls(Document* document, Daemon* daemon, Events* events)
      : document_(document), daemon_(daemon), events_(events) {}

  // To be called often: the pages are told when another program has saved the file.
  void Poll();
  // Asks the daemon what it thinks of the text; one question at a time.
  void Check();
  // Told by whoever has put another stack into the document.
  void Opened();
  // To a page that has just come.
  void SendState(EventStream* stream) const;

  // README.md, by the addresses.
  void Get(const Exchange& exchange);
  void Curves(const Exchange& exchange) const;
  void Edit(const Exchange& exchange);
  void Undo(const Exchange& exchange);
  void Redo(const Exchange& exchange);

 private:
  void Change(const Exchange& exchange, const std::function<absl::Status(const JsonMembers&)>& change, const char* by);
  void TakeBack(const Exchange& exchange, absl::Status (Document::*method)(const std::string&));
  void Tell(const char* by);
  std::string StackEvent(const char* by) const;
  std::string FaultsEvent() const;

  Document* const document_;
  Daemon* const daemon_;
  Events* const events_;
  bool checking_ = false, check_again_ = false;
};

}  // namespace selvage::client
