// Submissions of the loom's stack: listed, told apart in words, given back as text. Used from
// the loom's thread.
#pragma once

#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <string>

#include "client/loom/daemon.h"
#include "client/loom/document.h"
#include "client/loom/http_server.h"

namespace selvage::client {

class VersionCalls {
 public:
  VersionCalls(const Document* document, Daemon* daemon) : document_(document), daemon_(daemon) {}

  // README.md, "Versions".
  void List(const Exchange& exchange);
  void Changes(const Exchange& exchange);
  void Text(const Exchange& exchange);

  // Gives `then` the stack of a version of the loom's stack. Where there is none, `exchange` has
  // been answered.
  using Then = std::function<void(std::shared_ptr<const Stack>)>;
  void WithStack(const Exchange& exchange, uint32_t number, Then then);
  // What is remembered may be of another daemon by now.
  void Forget() { held_.clear(); }

 private:
  // Of which the versions are, also while the present text has faults: what was submitted had none.
  // nullptr when it has been answered that there is none.
  const Stack* LastGood(const Exchange& exchange) const;

  // Versions never change, and every look at one needs its stack.
  struct Held {
    std::string name;
    uint32_t number;
    std::shared_ptr<const Stack> stack;
    size_t bytes;
  };
  std::shared_ptr<const Stack> Find(const std::string& name, uint32_t number);
  void Keep(Held held);
  void Compare(const Exchange& exchange, std::shared_ptr<const Stack> before, std::shared_ptr<const Stack> now);

  const Document* const document_;
  Daemon* const daemon_;
  // The one used last comes first.
  std::deque<Held> held_;
};

// A version number among the parameters; nullopt where there is none. Errors: INVALID_ARGUMENT.
absl::StatusOr<std::optional<uint32_t>> VersionParameter(const HttpRequest& request, const std::string& name);

// The text of a version for a stack file: as it was handed in, with what --set changed as comments
// at its top; written from its stack where no text was kept.
std::string TextOfVersion(const StackVersion& version, const std::string& text, const Stack& stack);

}  // namespace selvage::client
