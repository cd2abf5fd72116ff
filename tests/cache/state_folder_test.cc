#include <fstream>

#include "cache/format.h"
#include "cache/open.h"
#include "tests/cache/cache_testing.h"

namespace selvage {
namespace {

void WriteFile(const std::string& path, const std::string& text) { std::ofstream(path) << text; }

TEST(OpenCache, MakesTheFolderAndSaysItsFormat) {
  TempFolder folder;
  const std::string state = folder.path() + "/a/b";
  ASSERT_OK(OpenCache(state).status());
  std::ifstream file(state + "/FORMAT");
  std::string line;
  std::getline(file, line);
  EXPECT_EQ(line + "\n", format::kFormatLine);
}

TEST(OpenCache, AnotherVersionIsRefusedAndLeftAlone) {
  TempFolder folder;
  WriteFile(folder.path() + "/FORMAT", "selvage state 1000\n");
  const absl::Status s = OpenCache(folder.path()).status();
  EXPECT_TRUE(absl::IsFailedPrecondition(s)) << s;
  EXPECT_NE(s.message().find("selvage state 1000"), absl::string_view::npos) << s;
  EXPECT_NE(s.message().find(folder.path()), absl::string_view::npos) << s;
  EXPECT_FALSE(std::filesystem::exists(folder.path() + "/tiles"));
}

TEST(OpenCache, DatabasesWithoutAFormatAreRefused) {
  TempFolder folder;
  std::filesystem::create_directory(folder.path() + "/tiles");
  EXPECT_TRUE(absl::IsFailedPrecondition(OpenCache(folder.path()).status()));
}

TEST(OpenCache, ASecondDaemonIsRefusedPlainly) {
  TempFolder folder;
  const auto first = OpenCache(folder.path());
  ASSERT_OK(first.status());
  const absl::Status s = OpenCache(folder.path()).status();
  EXPECT_TRUE(absl::IsUnavailable(s));
  EXPECT_NE(s.message().find("is in use by another process"), absl::string_view::npos) << s;
}

TEST(OpenCache, AFolderThatCannotBeMadeIsAnAnswer) {
  EXPECT_TRUE(absl::IsUnavailable(OpenCache("/proc/selvage-cannot-be-here").status()));
}

TEST(OpenCache, ATinyBudgetIsRefused) {
  TempFolder folder;
  EXPECT_TRUE(absl::IsInvalidArgument(OpenCache(folder.path(), {.cache_bytes = 1 << 20}).status()));
}

TEST(OpenCache, CommittedResultsAreThereAfterReopening) {
  TempFolder folder;
  const std::vector<StoredTile> tiles{NoiseTile(1), NoiseTile(2)};
  {
    auto cache = OpenCache(folder.path());
    ASSERT_OK(cache.status());
    ASSERT_OK(cache->tiles->Put(tiles));
    ASSERT_OK(cache->committer->Commit({.results = {{KeyOf(1), RecordOf(tiles)}}}).status());
  }
  auto cache = OpenCache(folder.path());
  ASSERT_OK(cache.status());
  const std::vector<ResultKey> keys{KeyOf(1)};
  const auto found = cache->index->Find(keys);
  ASSERT_OK(found.status());
  ASSERT_TRUE((*found)[0]);
  const auto bytes = cache->tiles->Get(StoredDigests((*found)[0]->manifest));
  ASSERT_OK(bytes.status());
  EXPECT_EQ((*bytes)[0], tiles[0].data);
  EXPECT_EQ((*bytes)[1], tiles[1].data);
  const CacheStats stats = cache->stats();
  EXPECT_EQ(stats.results, 1u);
  EXPECT_EQ(stats.tiles, 2u);
  EXPECT_GT(stats.bytes, 2 * 20000u);
  EXPECT_FALSE(stats.full);
}

// DO NOT CHANGE: these bytes are on people's disks. Written out by hand from
// the layouts in format.h.
TEST(Format, KeysAndValuesAreAsDocumented) {
  using namespace std::string_literals;
  EXPECT_EQ(format::JournalKey(258), "\0\0\0\0\0\0\1\2"s);
  EXPECT_EQ(format::JournalValue(JournalType::kInvalidated, "xy"), "\1\2xy"s);
  EXPECT_EQ(format::NamedByKey(Sha256("abc"), {Sha256("")}), Sha256("abc").str() + Sha256("").str());
  // Bits of 1.5, of nothing, and of what is set aside, in this order.
  EXPECT_EQ(format::WorthKey({1.5, {Sha256("")}}), "\x3f\xf8\0\0\0\0\0\0"s + Sha256("").str());
  EXPECT_EQ(format::WorthKey({0, {Sha256("")}}), "\0\0\0\0\0\0\0\0"s + Sha256("").str());
  EXPECT_EQ(format::WorthKey({kSetAside, {Sha256("")}}), "\x7f\xf0\0\0\0\0\0\0"s + Sha256("").str());
  EXPECT_EQ(format::NameKey("s", "p", 1, 2), "s\0p\0\0\0\0\1\x80\0\0\2"s);
  EXPECT_EQ(format::NameKey("s", "p", 0, -1), "s\0p\0\0\0\0\0\x7f\xff\xff\xff"s);
  const Digest d = Sha256("abc");
  EXPECT_EQ(format::PresenceKey(d), "p" + d.str());
  EXPECT_EQ(format::TileKey(d), "t" + d.str());
  EXPECT_EQ(format::PresenceValue(258), "\2\1\0\0"s);
  EXPECT_EQ(format::NameValue({.key = {d}, .recipe = Sha256("")}), "\1" + d.str() + Sha256("").str());
  ResultRecord r;
  r.seconds = 1.5;
  r.made_unix_ms = 3;
  r.bytes = 258;
  r.worker = "w";
  r.manifest.set_blob_size(5);
  EXPECT_EQ(format::ResultValue(r), "\1\0\0\0\0\0\0\xf8\x3f\3\0\0\0\0\0\0\0\2\1\0\0\0\0\0\0\1\0\0\0w\x30\5"s);
  r.tile_keys = "keys";
  r.others.emplace_back().set_worker("v");
  r.others.back().set_made_unix_ms(4);
  const std::string value = format::ResultValue(r);
  EXPECT_EQ(value,
            "\2\0\0\0\0\0\0\xf8\x3f\3\0\0\0\0\0\0\0\2\1\0\0\0\0\0\0\1\0\0\0w"
            "\4\0\0\0keys\1\0\0\0\1\0\0\0v\4\0\0\0\0\0\0\0\x30\5"s);
  EXPECT_EQ(format::ParseResultValue(value)->tile_keys, "keys");
  EXPECT_EQ(format::ResultValue(*format::ParseResultValue(value)), value);
  r.warnings.emplace_back().set_text("so");
  const std::string warninged = format::ResultValue(r);
  EXPECT_EQ(warninged,
            "\3\0\0\0\0\0\0\xf8\x3f\3\0\0\0\0\0\0\0\2\1\0\0\0\0\0\0\1\0\0\0w"
            "\4\0\0\0keys\1\0\0\0\1\0\0\0v\4\0\0\0\0\0\0\0\1\0\0\0\4\0\0\0\x1a\2so\x30\5"s);
  EXPECT_EQ(format::ResultValue(*format::ParseResultValue(warninged)), warninged);
}

TEST(Format, DamagedValuesAreDataLoss) {
  const std::string result = format::ResultValue(RecordOf({NoiseTile(1)}));
  for (size_t size : {size_t{0}, size_t{1}, size_t{20}, result.size() - 1}) {
    EXPECT_TRUE(absl::IsDataLoss(format::ParseResultValue(result.substr(0, size)).status())) << size;
  }
  ResultRecord with_keys = RecordOf({NoiseTile(1)});
  with_keys.tile_keys = "keys";
  EXPECT_TRUE(absl::IsDataLoss(format::ParseResultValue(format::ResultValue(with_keys).substr(0, 33)).status()));
  EXPECT_TRUE(absl::IsDataLoss(format::ParseResultValue("\4" + result.substr(1)).status())) << "newer version";
  EXPECT_TRUE(absl::IsDataLoss(format::ParseJournal("short", "\1\1").status()));
  EXPECT_TRUE(absl::IsDataLoss(format::ParseWorth("short").status()));
  EXPECT_TRUE(absl::IsDataLoss(format::ParseName("no separator", "\1").status()));
}

}  // namespace
}  // namespace selvage
