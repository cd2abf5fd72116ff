#include "client/command.h"

#include <algorithm>
#include <tuple>
#include <utility>

namespace selvage::client {
namespace {

std::vector<std::unique_ptr<Command>>& All() {
  static auto* all = new std::vector<std::unique_ptr<Command>>;
  return *all;
}

}  // namespace

CommandRegistrar::CommandRegistrar(std::unique_ptr<Command> command) { All().push_back(std::move(command)); }

std::vector<Command*> Commands() {
  std::vector<Command*> commands;
  for (const auto& c : All()) commands.push_back(c.get());
  std::sort(commands.begin(), commands.end(), [](const Command* a, const Command* b) {
    const CommandHelp x = a->help(), y = b->help();
    return std::tie(x.group, x.parent, x.name) < std::tie(y.group, y.parent, y.name);
  });
  return commands;
}

}  // namespace selvage::client
