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

// The folders of the worker, and what they may include of it. Operators know nothing
// of each other, of leases or of stores; kernels nothing of messages.
const std::map<std::string, std::set<std::string>> kWorkerFolders = {
    {"worker/picture", {}},
    {"worker/kernels/pixels", {"worker/picture"}},
    {"worker/kernels/geometry", {"worker/picture", "worker/kernels/pixels"}},
    {"worker/kernels/motion", {"worker/picture", "worker/kernels/pixels", "worker/kernels/geometry"}},
    {"worker/kernels/unmix", {"worker/picture", "worker/kernels/pixels", "worker/kernels/geometry"}},
    {"worker/files", {"worker/picture", "worker/kernels/pixels"}},
    {"worker/chain", {"worker/picture"}},
    {"worker/inputs",
     {"worker/picture", "worker/chain", "worker/kernels/pixels", "worker/kernels/geometry", "worker/kernels/motion"}},
    {"worker/ops",
     {"worker/picture", "worker/chain", "worker/files", "worker/inputs", "worker/kernels/pixels",
      "worker/kernels/geometry", "worker/kernels/motion", "worker/kernels/unmix"}},
    {"worker/run", {"worker/picture", "worker/chain", "worker/files", "worker/inputs", "worker/kernels/pixels"}},
};

TEST(Layering, FoldersOfTheWorkerIncludeOnlyWhatStandsBelowThem) {
  EachInclude("worker", [](const std::string& file, const std::string& included) {
    if (included.rfind("worker/", 0) != 0 || file == "worker/main.cc") return;
    const std::string folder = file.substr(0, file.rfind('/')), target = included.substr(0, included.rfind('/'));
    const auto found = kWorkerFolders.find(folder);
    ASSERT_NE(found, kWorkerFolders.end()) << file << " lies in a folder that is not in the list";
    const std::string own = file.substr(0, file.rfind('.')), other = included.substr(0, included.rfind('.'));
    const bool neighbour = folder == target && (folder != "worker/ops" || own == other);
    EXPECT_TRUE(neighbour || found->second.count(target)) << file << " includes " << included;
  });
}

}  // namespace
}  // namespace selvage
