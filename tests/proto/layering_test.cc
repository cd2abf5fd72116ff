// What may include what: proto <- cache <- worker, proto <- cache <- server,
// proto <- client. CMake links don't stop an include from the source root.
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <map>
#include <regex>
#include <set>
#include <string>

namespace selvage {
namespace {

namespace fs = std::filesystem;

const std::map<std::string, std::set<std::string>> kMayInclude = {
    {"proto", {"proto"}},
    {"cache", {"proto", "cache"}},
    {"worker", {"proto", "cache", "worker"}},
    {"server", {"proto", "cache", "server"}},
    {"client", {"proto", "client"}},
};
// Composition root: links embedded workers.
const std::set<std::string> kRoots = {"server/main.cc"};

template <class Visit>
void EachInclude(const std::string& module, const Visit& visit) {
  const std::regex include("^\\s*#include \"([^\"]+)\"");
  for (const auto& entry : fs::recursive_directory_iterator(fs::path(SELVAGE_SOURCE_DIR) / module)) {
    const std::string extension = entry.path().extension();
    if (extension != ".h" && extension != ".cc") continue;
    const std::string file = fs::relative(entry.path(), SELVAGE_SOURCE_DIR);
    std::ifstream in(entry.path());
    std::smatch match;
    for (std::string line; std::getline(in, line);) {
      if (std::regex_search(line, match, include)) visit(file, match[1].str());
    }
  }
}

TEST(Layering, ModulesIncludeOnlyWhatStandsBelowThem) {
  for (const auto& [module, allowed] : kMayInclude) {
    EachInclude(module, [&, &allowed = allowed](const std::string& file, const std::string& included) {
      if (kRoots.count(file)) return;
      const std::string target = included.substr(0, included.find('/'));
      EXPECT_TRUE(!kMayInclude.count(target) || allowed.count(target)) << file << " includes " << included;
    });
  }
}

TEST(Layering, ServerTouchesNoPixelsAndPlannerAndSchedulerNoNetwork) {
  EachInclude("server", [](const std::string& file, const std::string& included) {
    if (kRoots.count(file)) return;
    EXPECT_EQ(included.find("OpenImageIO"), std::string::npos) << file;
    if (file.rfind("server/plan/", 0) == 0 || file.rfind("server/sched/", 0) == 0) {
      EXPECT_EQ(included.find(".grpc.pb.h"), std::string::npos) << file << " includes " << included;
    }
    if (file.rfind("server/plan/", 0) == 0) {
      EXPECT_NE(included.rfind("server/sched/", 0), 0u) << file << " includes " << included;
    }
  });
}

TEST(Layering, OperatorsKnowNothingOfEachOther) {
  EachInclude("worker/ops", [](const std::string& file, const std::string& included) {
    EXPECT_NE(included.rfind("worker/ops/", 0), 0u) << file << " includes " << included;
    EXPECT_NE(included, "worker/agent.h") << file;
    EXPECT_NE(included, "worker/executor.h") << file;
  });
}

}  // namespace
}  // namespace selvage
