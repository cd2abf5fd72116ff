// What a command of `selvage` is. Each lies in a file of its own in
// client/commands and registers itself there: cli.cc knows none of them.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "client/globals.h"

namespace CLI {
class App;
}

namespace selvage::client {

// Headings of `selvage --help`, in this order.
enum class Group { kStack, kJob, kResult, kDaemon };

struct CommandHelp {
  std::string name;
  Group group = Group::kStack;
  // One line for the list of commands.
  std::string summary;
  // What else there is to know, and examples: the end of `selvage NAME --help`.
  std::string details;
  // The command that it belongs to, as `cache` for `selvage cache verify`.
  std::string parent = "";
};

class Command {
 public:
  virtual ~Command() = default;
  virtual CommandHelp help() const = 0;
  // Declares options and arguments; they are read into the command itself.
  virtual void Declare(CLI::App*) {}
  virtual absl::Status Run(const Globals& globals) = 0;
};

// All that are linked in, by group and name.
std::vector<Command*> Commands();

class CommandRegistrar {
 public:
  explicit CommandRegistrar(std::unique_ptr<Command> command);
};

}  // namespace selvage::client

#define REGISTER_COMMAND(Class) \
  static const ::selvage::client::CommandRegistrar selvage_registrar_##Class(std::make_unique<Class>())
