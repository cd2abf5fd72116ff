// What every ResultIndex must do. A new engine: one line in kEngines.
#include <algorithm>
#include <atomic>
#include <cmath>
#include <limits>
#include <map>
#include <memory>
#include <set>
#include <thread>

#include "cache/memory_result_index.h"
#include "cache/rocks_result_index.h"
#include "tests/cache/cache_testing.h"

namespace selvage {
namespace {

struct EngineCase {
  const char* name;
  std::unique_ptr<ResultIndex> (*open)(const std::string& folder);
  bool survives_reopening;
};

const EngineCase kEngines[] = {
    {"Memory", [](const std::string&) -> std::unique_ptr<ResultIndex> { return std::make_unique<MemoryResultIndex>(); },
     false},
    {"Rocks",
     [](const std::string& folder) -> std::unique_ptr<ResultIndex> {
       auto index = RocksResultIndex::Open(folder);
       EXPECT_OK(index.status());
       return index.ok() ? *std::move(index) : nullptr;
     },
     true},
};

class ResultIndexLaws : public testing::TestWithParam<EngineCase> {
 protected:
  void SetUp() override { Reopen(); }
  void Reopen() {
    if (index_ && !GetParam().survives_reopening) return;
    index_.reset();
    index_ = GetParam().open(folder_.path());
    ASSERT_NE(index_, nullptr);
  }
  uint64_t Commit(const IndexBatch& batch) {
    const auto sequence = index_->Commit(batch);
    EXPECT_OK(sequence.status());
    return sequence.value_or(0);
  }
  std::optional<ResultRecord> FindOne(const ResultKey& key) {
    const auto found = index_->Find({&key, 1});
    EXPECT_OK(found.status());
    return found.ok() ? (*found)[0] : std::nullopt;
  }
  std::vector<JournalEntry> Journal(uint64_t from) {
    std::vector<JournalEntry> entries;
    EXPECT_OK(index_->ReadJournal(from, [&](const JournalEntry& e) { entries.push_back(e); }));
    return entries;
  }

  std::vector<WorthPlace> Places() {
    const auto places = index_->ListPlaces({}, 1000);
    EXPECT_OK(places.status());
    return places.value_or(std::vector<WorthPlace>());
  }

  TempFolder folder_;
  std::unique_ptr<ResultIndex> index_;
};

NameRecord Name(const std::string& stack, const std::string& pass, uint32_t segment, int32_t frame,
                const std::string& what = "r") {
  return {stack, pass, segment, frame, KeyOf(what), Sha256("recipe " + what)};
}

bool SameName(const NameRecord& a, const NameRecord& b) {
  return a.stack == b.stack && a.pass == b.pass && a.segment == b.segment && a.frame == b.frame && a.key == b.key &&
         a.recipe == b.recipe;
}

TEST_P(ResultIndexLaws, AResultThatIsNotStoredNamesNoTiles) {
  const std::vector<StoredTile> tiles{NoiseTile(1), NoiseTile(2)};
  const auto commit = [&](Storing storing) {
    IndexBatch batch;
    batch.results.emplace_back(KeyOf("r"), RecordOf(tiles));
    batch.results.back().second.storing = storing;
    Commit(batch);
    Reopen();
    const auto found = FindOne(KeyOf("r"));
    ASSERT_TRUE(found);
    EXPECT_EQ(found->storing, storing);
    EXPECT_TRUE(SameRecord(*found, RecordOf(tiles)));
    EXPECT_EQ(Places().size(), 1u);
  };
  commit(Storing::kHandedOn);
  EXPECT_EQ(index_->FindUnnamed(DigestsOf(tiles)).value().size(), 2u);
  // Stored after all, and handed on again: nothing is left behind.
  commit(Storing::kWorkingEdge);
  EXPECT_TRUE(index_->FindUnnamed(DigestsOf(tiles)).value().empty());
  commit(Storing::kHandedOn);
  EXPECT_EQ(index_->FindUnnamed(DigestsOf(tiles)).value().size(), 2u);
}

TEST_P(ResultIndexLaws, ResultsComeBackWholeAndInOrder) {
  const ResultRecord a = RecordOf({NoiseTile(1)}, 2.5), b = RecordOf({NoiseTile(2), NoiseTile(3)}, 0.001);
  Commit({.results = {{KeyOf(1), a}, {KeyOf(2), b}}});
  Reopen();
  const std::vector<ResultKey> asked{KeyOf(2), KeyOf(9), KeyOf(1), KeyOf(2)};
  const auto found = index_->Find(asked);
  ASSERT_OK(found.status());
  ASSERT_EQ(found->size(), 4u);
  ASSERT_TRUE((*found)[0] && (*found)[2] && (*found)[3]);
  EXPECT_TRUE(SameRecord(*(*found)[0], b));
  EXPECT_FALSE((*found)[1]);
  EXPECT_TRUE(SameRecord(*(*found)[2], a));
  EXPECT_TRUE(SameRecord(*(*found)[3], b));
}

TEST_P(ResultIndexLaws, ALaterResultReplacesAnEarlierOne) {
  Commit({.results = {{KeyOf(1), RecordOf({NoiseTile(1)}, 1)}}});
  const ResultRecord later = RecordOf({NoiseTile(2)}, 7);
  Commit({.results = {{KeyOf(1), later}}});
  EXPECT_TRUE(SameRecord(FindOne(KeyOf(1)).value(), later));
}

TEST_P(ResultIndexLaws, ForgottenResultsAreGoneWithTheirTraces) {
  Commit({.results = {{KeyOf(1), RecordOf({NoiseTile(1)})}, {KeyOf(2), RecordOf({NoiseTile(2)})}},
          .traces = {{Sha256("t1"), KeyOf(1)}, {Sha256("t1b"), KeyOf(1)}, {Sha256("t2"), KeyOf(2)}}});
  // Moves on to another result: forgetting the first must not take it along.
  Commit({.traces = {{Sha256("t1b"), KeyOf(2)}}});
  Commit({.forget = {KeyOf(1), KeyOf(77)}});
  Reopen();
  EXPECT_FALSE(FindOne(KeyOf(1)));
  EXPECT_TRUE(FindOne(KeyOf(2)));
  EXPECT_EQ(index_->FindTrace(Sha256("t1")).value(), std::nullopt);
  EXPECT_EQ(index_->FindTrace(Sha256("t1b")).value(), KeyOf(2));
  EXPECT_EQ(index_->FindTrace(Sha256("t2")).value(), KeyOf(2));
  EXPECT_EQ(index_->FindTrace(Sha256("never")).value(), std::nullopt);
}

TEST_P(ResultIndexLaws, DamageIsRememberedUntilTheResultIsThereAgain) {
  Commit({.results = {{KeyOf(1), RecordOf({NoiseTile(1)})}, {KeyOf(2), RecordOf({NoiseTile(2)})}}});
  IndexBatch batch;
  batch.ForgetDamaged(KeyOf(1));
  Commit(batch);
  Reopen();
  EXPECT_FALSE(FindOne(KeyOf(1)));
  EXPECT_TRUE(index_->FindValue(DamagedName(KeyOf(1))).value());
  EXPECT_FALSE(index_->FindValue(DamagedName(KeyOf(2))).value());
  Commit({.results = {{KeyOf(1), RecordOf({NoiseTile(1)})}}});
  EXPECT_FALSE(index_->FindValue(DamagedName(KeyOf(1))).value());
}

TEST_P(ResultIndexLaws, ForgettingComesFirstInABatch) {
  Commit({.results = {{KeyOf(1), RecordOf({NoiseTile(1)}, 1)}}});
  Commit({.results = {{KeyOf(1), RecordOf({NoiseTile(2)}, 2)}}, .forget = {KeyOf(1)}});
  ASSERT_TRUE(FindOne(KeyOf(1)));
  EXPECT_EQ(FindOne(KeyOf(1))->seconds, 2);
}

TEST_P(ResultIndexLaws, NamesAreFoundByStackAndPassAndSortedByFrame) {
  const std::vector<NameRecord> all{Name("shot", "core", 0, -5), Name("shot", "core", 0, 1001),
                                    Name("shot", "core", 1, 7),  Name("shot", "core2", 0, 3),
                                    Name("shot2", "core", 0, 4), Name("shot", "", 0, 1)};
  Commit({.names = all});
  Reopen();
  const auto core = index_->FindNames("shot", "core");
  ASSERT_OK(core.status());
  ASSERT_EQ(core->size(), 3u);
  for (int i = 0; i < 3; ++i) EXPECT_TRUE(SameName((*core)[i], all[i])) << i;
  EXPECT_EQ(index_->FindNames("shot", "")->size(), 5u);
  EXPECT_EQ(index_->FindNames("shot2", "")->size(), 1u);
  EXPECT_EQ(index_->FindNames("sho", "")->size(), 0u);
  Commit({.names = {Name("shot2", "core", 0, 4, "newer")}});
  EXPECT_EQ(index_->FindNames("shot2", "core")->at(0).key, KeyOf("newer"));
}

TEST_P(ResultIndexLaws, NamesAreFoundAtTheirPlaces) {
  Commit({.names = {Name("shot", "core", 0, 1001, "a"), Name("shot", "core", 1, 1001, "b"),
                    Name("shot", "core", 0, -7, "c")}});
  const std::vector<NameRecord> places = {Name("shot", "core", 0, -7), Name("shot", "core", 2, 1001),
                                          Name("shot", "core", 1, 1001)};
  const auto found = index_->FindNamesAt(places);
  ASSERT_OK(found.status());
  ASSERT_EQ(found->size(), 3u);
  EXPECT_TRUE((*found)[0] && SameName(*(*found)[0], Name("shot", "core", 0, -7, "c")));
  EXPECT_FALSE((*found)[1]);
  EXPECT_TRUE((*found)[2] && SameName(*(*found)[2], Name("shot", "core", 1, 1001, "b")));
}

TEST_P(ResultIndexLaws, NamesAreForgottenAtTheirPlacesAndStacksAreListedOnce) {
  Commit({.names = {Name("shot", "core", 0, 1), Name("shot", "edge", 3, -2), Name("shot2", "core", 0, 1),
                    Name("sho", "t", 0, 1)}});
  EXPECT_EQ(index_->ListStacks().value(), (std::vector<std::string>{"sho", "shot", "shot2"}));
  Commit(
      {.forget_names = {Name("shot", "core", 0, 1, "whatever"), Name("shot", "core", 7, 1), Name("sho", "t", 0, 1)}});
  Reopen();
  EXPECT_EQ(index_->ListStacks().value(), (std::vector<std::string>{"shot", "shot2"}));
  const auto left = index_->FindNames("shot", "");
  ASSERT_OK(left.status());
  ASSERT_EQ(left->size(), 1u);
  EXPECT_EQ((*left)[0].pass, "edge");
  // What the same batch writes stays.
  Commit({.names = {Name("shot2", "core", 0, 1, "newer")}, .forget_names = {Name("shot2", "core", 0, 1)}});
  EXPECT_EQ(index_->FindNames("shot2", "core").value().at(0).key, KeyOf("newer"));
}

TEST_P(ResultIndexLaws, ResultsAreFoundByWhoMadeThemAndWhen) {
  const auto add = [&](const std::string& key, const std::string& worker, int64_t made) {
    ResultRecord r = RecordOf({});
    r.worker = worker;
    r.made_unix_ms = made;
    Commit({.results = {{KeyOf(key), r}}});
  };
  add("early", "render3:100", 1000);
  add("then", "render3:100", 2000);
  add("later", "render3:100", 3000);
  add("restarted", "render3:2", 2500);
  add("old restart", "render3:2", 10);
  add("namesake", "render30:1", 2500);
  add("shorter", "render:1", 2500);
  add("alone", "embedded", 2500);
  const auto by = [&](const std::string& worker, int64_t since) {
    auto found = index_->FindMadeBy(worker, since);
    EXPECT_OK(found.status());
    std::set<ResultKey> keys(found->begin(), found->end());
    EXPECT_EQ(keys.size(), found->size());
    return keys;
  };
  EXPECT_EQ(by("render3", 2000), (std::set{KeyOf("then"), KeyOf("later"), KeyOf("restarted")}));
  EXPECT_EQ(by("render3:100", 0), (std::set{KeyOf("early"), KeyOf("then"), KeyOf("later")}));
  EXPECT_EQ(by("embedded", 0), std::set{KeyOf("alone")});
  EXPECT_TRUE(by("render3", 3001).empty());
  EXPECT_TRUE(by("nobody", 0).empty());
  Commit({.forget = {KeyOf("later")}});
  EXPECT_EQ(by("render3:100", 2000), std::set{KeyOf("then")});

  // Tiles of others count with their own times.
  ResultRecord patched = RecordOf({});
  patched.worker = "alone";
  patched.made_unix_ms = 9000;
  patched.tile_keys = std::string(32, 'k');
  for (const auto& [worker, at] : {std::pair("guest", 5000), std::pair("alone", 100)}) {
    patched.others.emplace_back().set_worker(worker);
    patched.others.back().set_made_unix_ms(at);
  }
  Commit({.results = {{KeyOf("patched"), patched}}});
  EXPECT_EQ(by("guest", 5000), std::set{KeyOf("patched")});
  EXPECT_TRUE(by("guest", 5001).empty());
  EXPECT_EQ(by("alone", 9000), std::set{KeyOf("patched")}) << "once, with its newest time";
  Commit({.forget = {KeyOf("patched")}});
  EXPECT_TRUE(by("guest", 0).empty());
  EXPECT_TRUE(by("alone", 0).empty());
}

TEST_P(ResultIndexLaws, ANameWithASeparatorIsRefusedAndNothingWritten) {
  const std::string bad("a\0b", 3);
  EXPECT_TRUE(absl::IsInvalidArgument(
      index_->Commit({.results = {{KeyOf(1), RecordOf({})}}, .names = {Name(bad, "p", 0, 1)}}).status()));
  EXPECT_TRUE(absl::IsInvalidArgument(index_->Commit({.names = {Name("s", bad, 0, 1)}}).status()));
  EXPECT_FALSE(FindOne(KeyOf(1)));
}

TEST_P(ResultIndexLaws, ValuesAreListedByPrefixInOrderAndEmptyDeletes) {
  Commit({.values = {{"job/2", "two"}, {"job/1", std::string("o\0ne", 4)}, {"jobs", "x"}, {"plate/a", "y"}}});
  Commit({.values = {{"job/2", "zwei"}, {"plate/a", ""}, {"never", ""}}});
  Reopen();
  using List = std::vector<std::pair<std::string, std::string>>;
  EXPECT_EQ(index_->ListValues("job/").value(), (List{{"job/1", std::string("o\0ne", 4)}, {"job/2", "zwei"}}));
  EXPECT_EQ(index_->ListValues("").value().size(), 3u);
  EXPECT_EQ(index_->FindValue("plate/a").value(), std::nullopt);
  EXPECT_EQ(index_->FindValue("jobs").value(), "x");
}

TEST_P(ResultIndexLaws, JournalNumbersGoUpByOneAcrossReopening) {
  EXPECT_EQ(Commit({.values = {{"a", "b"}}}), 0u) << "nothing in the journal yet";
  EXPECT_EQ(Commit({.journal = {{JournalType::kJobSubmitted, "one"}, {JournalType::kInvalidated, ""}}}), 2u);
  Reopen();
  EXPECT_EQ(Commit({.values = {{"a", "c"}}}), 2u);
  // Past the point where a number needs a second byte: keys must sort as numbers.
  IndexBatch many;
  for (int i = 0; i < 300; ++i) many.journal.emplace_back(JournalType::kJobFinished, std::to_string(i));
  EXPECT_EQ(Commit(many), 302u);
  Reopen();
  EXPECT_EQ(Commit({.journal = {{JournalType::kJobCancelled, "last"}}}), 303u);
  const auto all = Journal(0);
  ASSERT_EQ(all.size(), 303u);
  for (size_t i = 0; i < all.size(); ++i) ASSERT_EQ(all[i].sequence, i + 1);
  EXPECT_EQ(all[0].payload, "one");
  EXPECT_EQ(all[1].type, JournalType::kInvalidated);
  EXPECT_EQ(all[1].payload, "");
  EXPECT_EQ(all[301].payload, "299");
  const auto tail = Journal(303);
  ASSERT_EQ(tail.size(), 1u);
  EXPECT_EQ(tail[0].type, JournalType::kJobCancelled);
  EXPECT_TRUE(Journal(304).empty());
}

TEST_P(ResultIndexLaws, JournalEntriesThatAreDoneGoAndNumbersAreNeverGivenTwice) {
  IndexBatch four;
  for (const char* text : {"a", "b", "c", "d"}) four.journal.emplace_back(JournalType::kJobFinished, text);
  Commit(four);
  Commit({.journal_done = {1, 3, 4, 77}});
  Reopen();
  auto left = Journal(0);
  ASSERT_EQ(left.size(), 2u);
  EXPECT_EQ(left[0].payload, "b");
  EXPECT_EQ(left[1].payload, "d") << "the newest one stays";
  EXPECT_EQ(Commit({.journal = {{JournalType::kJobSubmitted, "e"}}, .journal_done = {4}}), 5u);
  EXPECT_EQ(Commit({.journal_done = {4}}), 5u);
  Reopen();
  left = Journal(0);
  ASSERT_EQ(left.size(), 2u);
  EXPECT_EQ(left[1].sequence, 5u);
}

TEST_P(ResultIndexLaws, PlacesAreInTheOrderOfWorth) {
  std::vector<WorthPlace> expected;
  for (const double seconds : {3.0, 0.5, 0.5, 1e-9, 0.0, 1e6, 40.0}) {
    const ResultKey key = KeyOf(expected.size());
    const ResultRecord record = RecordOf({NoiseTile(expected.size(), 100)}, seconds);
    Commit({.results = {{key, record}}});
    expected.push_back({WorthOf(record), key});
  }
  std::sort(expected.begin(), expected.end());
  Reopen();
  EXPECT_EQ(Places(), expected);
  // In pieces, each after the last place before.
  for (size_t size = 1; size < expected.size(); ++size) {
    std::vector<WorthPlace> pieces;
    for (WorthPlace after;;) {
      const auto piece = index_->ListPlaces(after, size).value();
      if (piece.empty()) break;
      EXPECT_LE(piece.size(), size);
      pieces.insert(pieces.end(), piece.begin(), piece.end());
      after = pieces.back();
    }
    EXPECT_EQ(pieces, expected) << size;
  }
}

TEST_P(ResultIndexLaws, ASecondsCountThatIsNoneIsWorthNothing) {
  for (const double seconds : {-1.0, std::nan(""), -std::numeric_limits<double>::infinity()}) {
    EXPECT_EQ(WorthOf(RecordOf({}, seconds)), 0) << seconds;
  }
  EXPECT_LT(WorthOf(RecordOf({}, std::numeric_limits<double>::infinity())), kSetAside);
  EXPECT_GT(WorthOf(RecordOf({}, 1)), WorthOf(RecordOf({NoiseTile(1)}, 1)));
}

TEST_P(ResultIndexLaws, PlacesGoWithTheirResults) {
  const ResultRecord a = RecordOf({}, 1), b = RecordOf({}, 2);
  Commit({.results = {{KeyOf(1), a}, {KeyOf(2), b}}});
  Commit({.results = {{KeyOf(1), b}}});
  Commit({.forget = {KeyOf(2)}});
  EXPECT_EQ(Places(), (std::vector<WorthPlace>{{WorthOf(b), KeyOf(1)}}));
}

TEST_P(ResultIndexLaws, PlacesMoveAsLongAsTheResultIsThere) {
  const ResultRecord r = RecordOf({}, 1);
  const WorthPlace a{WorthOf(r), KeyOf(1)}, b{WorthOf(r), KeyOf(2)}, gone{WorthOf(r), KeyOf(3)};
  Commit({.results = {{a.key, r}, {b.key, r}}});
  Commit({.moves = {{a, kSetAside}, {gone, 7}}});
  Reopen();
  EXPECT_EQ(Places(), (std::vector<WorthPlace>{b, {kSetAside, a.key}}));
  EXPECT_TRUE(index_->ListPlaces({kSetAside, a.key}, 9).value().empty());
  // Where it is already: stays.
  Commit({.moves = {{b, b.worth}}});
  EXPECT_EQ(Places().front(), b);
  // Forgotten in the same batch: the place that was moved goes as well.
  Commit({.forget = {a.key}, .moves = {{{kSetAside, a.key}, kSetAside}}});
  EXPECT_EQ(Places(), std::vector<WorthPlace>{b});
}

TEST_P(ResultIndexLaws, ATileIsNamedAsLongAsOneResultNamesIt) {
  const StoredTile own = NoiseTile(1), shared = NoiseTile(2), later = NoiseTile(3);
  const std::vector<Digest> all{own.digest, shared.digest, later.digest, Sha256("nobody's")};
  const auto named = [&] {
    const auto unnamed = index_->FindUnnamed(all).value();
    std::string text;
    for (const Digest& d : all) text += std::find(unnamed.begin(), unnamed.end(), d) == unnamed.end() ? '+' : '-';
    return text;
  };
  EXPECT_EQ(named(), "----");
  Commit({.results = {{KeyOf(1), RecordOf({own, shared})}, {KeyOf(2), RecordOf({shared, shared})}}});
  Reopen();
  EXPECT_EQ(named(), "++--");
  // Another result under the same key, twice in one batch: the last one counts.
  Commit({.results = {{KeyOf(1), RecordOf({own, shared})}, {KeyOf(1), RecordOf({later})}}});
  EXPECT_EQ(named(), "-++-");
  Commit({.forget = {KeyOf(2)}});
  EXPECT_EQ(named(), "--+-");
  Commit({.results = {{KeyOf(1), RecordOf({own})}}, .forget = {KeyOf(1)}});
  Reopen();
  EXPECT_EQ(named(), "+---");
  EXPECT_TRUE(index_->FindUnnamed({}).value().empty());
}

TEST_P(ResultIndexLaws, ScanVisitsEveryResultOnce) {
  std::map<ResultKey, double> expected, seen;
  for (int i = 0; i < 100; ++i) {
    Commit({.results = {{KeyOf(i), RecordOf({}, i)}}});
    expected[KeyOf(i)] = i;
  }
  Commit({.forget = {KeyOf(50)}});
  expected.erase(KeyOf(50));
  ASSERT_OK(index_->ScanResults([&](const ResultKey& key, const ResultRecord& record) {
    EXPECT_TRUE(seen.emplace(key, record.seconds).second);
    // The visitor may call the index.
    if (seen.size() == 1) Commit({.forget = {KeyOf(0)}});
  }));
  EXPECT_EQ(seen, expected);
}

TEST_P(ResultIndexLaws, ConcurrentCommitsEachGetTheirOwnNumbers) {
  std::vector<std::thread> threads;
  std::vector<std::vector<uint64_t>> numbers(4);
  for (int t = 0; t < 4; ++t) {
    threads.emplace_back([&, t] {
      for (int i = 0; i < 25; ++i) {
        numbers[t].push_back(Commit({.results = {{KeyOf(1000 * t + i), RecordOf({}, t)}},
                                     .journal = {{JournalType::kJobSubmitted, std::to_string(t)}}}));
      }
    });
  }
  for (std::thread& t : threads) t.join();
  std::vector<uint64_t> all;
  for (const auto& n : numbers) all.insert(all.end(), n.begin(), n.end());
  std::sort(all.begin(), all.end());
  ASSERT_EQ(all.size(), 100u);
  for (size_t i = 0; i < all.size(); ++i) EXPECT_EQ(all[i], i + 1);
  const auto journal = Journal(1);
  for (int t = 0; t < 4; ++t) {
    for (const uint64_t n : numbers[t]) EXPECT_EQ(journal[n - 1].payload, std::to_string(t));
  }
}

INSTANTIATE_TEST_SUITE_P(Engines, ResultIndexLaws, testing::ValuesIn(kEngines),
                         [](const auto& info) { return info.param.name; });

}  // namespace
}  // namespace selvage
