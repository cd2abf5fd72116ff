// The cache: a large index, tiles against other stores, bytes a frame.
// README.md beside this says how to run it and what came out.
#include <benchmark/benchmark.h>
#include <fcntl.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#include <OpenEXR/ImfArray.h>
#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfCompression.h>
#include <OpenEXR/ImfFrameBuffer.h>
#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfOutputFile.h>
#include <Imath/half.h>

#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <mutex>
#include <random>

#include "cache/open.h"
#include "cache/rocks_result_index.h"
#include "cache/rocks_tile_store.h"
#include "cache/tile_codec.h"
#include "cache/verifying_tile_store.h"
#include "server/engine/epochs.h"
#include "server/engine/keep_table.h"
#include "tests/cache/cache_testing.h"
#include "tests/scene/render.h"

namespace selvage {
namespace {

namespace fs = std::filesystem;

class Folder {
 public:
  Folder() { fs::remove_all(path_), fs::create_directories(path_); }
  ~Folder() { fs::remove_all(path_); }
  const std::string& path() const { return path_; }

 private:
  std::string path_ = (fs::temp_directory_path() / ("selvage-bench-" + std::to_string(getpid()))).string();
};

// --- An index of a million results.

constexpr int kPasses = 40;

int Results() {
  const char* text = std::getenv("SELVAGE_BENCH_RESULTS");
  return text == nullptr ? 1'000'000 : std::atoi(text);
}

// A matte of 1920 x 1080: 40 tiles, most constant, eight at the edge, of which
// two are the same in the matte before it.
Manifest ManifestOf(int number) {
  Manifest manifest;
  manifest.set_kind(MATTE);
  manifest.add_channel("A");
  manifest.mutable_window()->set_width(1920);
  manifest.mutable_window()->set_height(1080);
  for (int t = 0; t < 40; ++t) {
    const int from = t < 10 ? number / 2 : number;
    AppendTile(&manifest, t % 5 == 0 ? TileRef{.digest = Sha256(std::to_string(t) + " of " + std::to_string(from))}
                                     : TileRef{.constant = true, .value = 1});
  }
  return manifest;
}

// Made once, kept between runs: filling takes a few minutes.
const std::string& IndexFolder() {
  static const std::string folder = [] {
    const char* given = std::getenv("SELVAGE_BENCH_FOLDER");
    std::string path = given != nullptr ? given : (fs::temp_directory_path() / "selvage-cache-bench").string();
    path += "/" + std::to_string(Results());
    if (fs::exists(path + "/complete")) return path;
    fs::remove_all(path);
    fs::create_directories(path);
    auto cache = OpenCache(path + "/state");
    if (!cache.ok()) std::abort();
    for (int i = 0; i < Results();) {
      IndexBatch batch;
      for (int k = 0; k < 4096 && i < Results(); ++k, ++i) {
        ResultRecord r;
        r.manifest = ManifestOf(i);
        r.worker = "render" + std::to_string(i % 7) + ":1";
        r.made_unix_ms = 1'700'000'000'000 + i;
        r.seconds = 1 + i * 7919 % 1000 / 100.0;
        r.bytes = 8 * 30'000;
        batch.traces.emplace_back(Sha256("trace " + std::to_string(i)), KeyOf(static_cast<uint64_t>(i)));
        batch.results.emplace_back(KeyOf(static_cast<uint64_t>(i)), std::move(r));
        NameRecord n;
        n.stack = "shot" + std::to_string(i / 40'000);
        n.pass = "pass" + std::to_string(i % kPasses);
        n.frame = 1001 + i % 40'000 / kPasses;
        n.key = KeyOf(static_cast<uint64_t>(i));
        batch.names.push_back(std::move(n));
        if (i % 1000 == 0) batch.journal.emplace_back(JournalType::kJobSubmitted, "job" + std::to_string(i));
      }
      if (!cache->index->Commit(batch).ok()) std::abort();
    }
    std::ofstream(path + "/complete") << "1";
    return path;
  }();
  return folder;
}

// From nothing to a cache that answers: opening, and what an engine reads back.
void RestartReady(benchmark::State& state) {
  const std::string folder = IndexFolder() + "/state";
  for (auto _ : state) {
    auto cache = OpenCache(folder);
    if (!cache.ok()) return state.SkipWithError(std::string(cache.status().message()).c_str());
    uint64_t entries = 0;
    (void)cache->index->ReadJournal(0, [&](const JournalEntry&) { ++entries; });
    KeepTable keep;
    (void)keep.Load(*cache->index);
    benchmark::DoNotOptimize(cache->index->ListValues("job/"));
    const ResultKey key = KeyOf(uint64_t{7});
    if (!cache->index->Find({&key, 1}).value().front()) return state.SkipWithError("a result is missing");
    state.PauseTiming();
    cache = absl::UnavailableError("closed");
    state.ResumeTiming();
  }
}
BENCHMARK(RestartReady)->Unit(benchmark::kMillisecond)->Iterations(3);

// Open once, whoever asks for it at the same time.
std::shared_ptr<RocksResultIndex> OpenIndex() {
  static std::mutex mutex;
  static std::weak_ptr<RocksResultIndex> open;
  std::lock_guard lock(mutex);
  std::shared_ptr<RocksResultIndex> index = open.lock();
  if (!index) open = index = *RocksResultIndex::Open(IndexFolder() + "/state/index");
  return index;
}

// As planning asks: a level of keys at a time, in no order.
void ProbeHits(benchmark::State& state) {
  const auto index = OpenIndex();
  std::mt19937_64 random(3 + static_cast<uint64_t>(state.thread_index()));
  std::vector<ResultKey> keys(256);
  for (auto _ : state) {
    state.PauseTiming();
    for (ResultKey& key : keys) key = KeyOf(random() % static_cast<uint64_t>(Results()));
    state.ResumeTiming();
    const auto found = index->Find(keys);
    if (!found.ok() || !found->front()) return state.SkipWithError("a result is missing");
  }
  state.SetItemsProcessed(state.iterations() * 256);
}
BENCHMARK(ProbeHits)->MinTime(2)->UseRealTime();
BENCHMARK(ProbeHits)->MinTime(2)->Threads(2)->UseRealTime();

void ProbeMisses(benchmark::State& state) {
  const auto index = OpenIndex();
  uint64_t next = uint64_t{1} << 40;
  std::vector<ResultKey> keys(256);
  for (auto _ : state) {
    state.PauseTiming();
    for (ResultKey& key : keys) key = KeyOf(++next);
    state.ResumeTiming();
    benchmark::DoNotOptimize(index->Find(keys));
  }
  state.SetItemsProcessed(state.iterations() * 256);
}
BENCHMARK(ProbeMisses)->MinTime(2)->UseRealTime();

// What `why` of one pass at one frame asks of the index: forty names and results.
void WhyLookups(benchmark::State& state) {
  const auto index = OpenIndex();
  std::mt19937 random(5);
  for (auto _ : state) {
    std::vector<NameRecord> places(5 * kPasses);
    const std::string stack =
        "shot" + std::to_string(random() % static_cast<uint32_t>(std::max(1, Results() / 40'000)));
    const int32_t frame = 1001 + static_cast<int32_t>(random() % 1000);
    for (size_t i = 0; i < places.size(); ++i) {
      places[i].stack = stack;
      places[i].pass = "pass" + std::to_string(i % kPasses);
      places[i].segment = static_cast<uint32_t>(i / kPasses);
      places[i].frame = frame;
    }
    const auto names = index->FindNamesAt(places);
    std::vector<ResultKey> keys;
    for (const auto& n : *names) {
      if (n) keys.push_back(n->key);
    }
    if (keys.size() != kPasses) return state.SkipWithError("a name is missing");
    benchmark::DoNotOptimize(index->Find(keys));
  }
}
BENCHMARK(WhyLookups)->Unit(benchmark::kMillisecond);

// A worker's results since a time: the last thousand of a million.
void MadeBySince(benchmark::State& state) {
  const auto index = OpenIndex();
  for (auto _ : state) {
    const auto found = index->FindMadeBy("render3", 1'700'000'000'000 + Results() - 7000);
    if (!found.ok() || found->empty()) return state.SkipWithError("nothing was found");
  }
}
BENCHMARK(MadeBySince)->Unit(benchmark::kMillisecond);

// A disk that is over its budget by as many bytes as `too_many` of our results take.
class PretendedSpace final : public Space {
 public:
  static constexpr uint64_t kResultBytes = 8 * 30'000;
  explicit PretendedSpace(uint64_t too_many) : too_many_(too_many) {}
  uint64_t budget() const { return 6 * too_many_ * kResultBytes; }
  uint64_t AllocatedBytes() override {
    const uint64_t evicted = evictor == nullptr ? 0 : evictor->evicted();
    return budget() / 10 * 7 + (too_many_ - std::min(too_many_, evicted)) * kResultBytes;
  }
  uint64_t AvailableBytes() override { return uint64_t{1} << 50; }
  uint64_t GarbageBytes() override { return 0; }
  absl::Status Reclaim() override { return absl::OkStatus(); }
  void StopReclaiming() override {}
  Evictor* evictor = nullptr;

 private:
  const uint64_t too_many_;
};

// A run that makes room for so many results, of all that the index holds. The
// tiles are not there; the writes that delete them are made.
void Evict(benchmark::State& state) {
  const auto too_many = static_cast<uint64_t>(state.range(0));
  const Folder folder;
  if (!OpenIndex()->Checkpoint(folder.path() + "/index").ok()) return state.SkipWithError("no copy could be made");
  const std::shared_ptr<RocksResultIndex> index = *RocksResultIndex::Open(folder.path() + "/index");
  const std::shared_ptr<RocksTileStore> tiles = *RocksTileStore::Open(folder.path() + "/tiles", {});
  for (auto _ : state) {
    const auto space = std::make_shared<PretendedSpace>(too_many);
    Evictor evictor(tiles, index, std::make_shared<TilePins>(), std::make_shared<Fill>(), space,
                    {.budget_bytes = space->budget()});
    space->evictor = &evictor;
    if (!evictor.RunOnce().ok()) return state.SkipWithError("eviction failed");
    if (evictor.evicted() < too_many * 9 / 10 || evictor.evicted() > too_many * 2)
      return state.SkipWithError("not as many as it should");
  }
  state.SetItemsProcessed(state.iterations() * state.range(0));
}
BENCHMARK(Evict)->Arg(100)->Arg(10'000)->Unit(benchmark::kMillisecond)->Iterations(3);

// One look at every result, as only `cache verify` takes it: what a run of
// eviction would cost at least if it had to choose among all.
void LookAtAll(benchmark::State& state) {
  const auto index = OpenIndex();
  for (auto _ : state) {
    uint64_t tiles = 0;
    (void)index->ScanResults(
        [&](const ResultKey&, const ResultRecord& r) { tiles += StoredDigests(r.manifest).size(); });
    benchmark::DoNotOptimize(tiles);
  }
  state.SetItemsProcessed(state.iterations() * Results());
}
BENCHMARK(LookAtAll)->Unit(benchmark::kMillisecond)->Iterations(1);

// A run that finds everything pinned, for the second time.
void EvictNothing(benchmark::State& state) {
  const Folder folder;
  if (!OpenIndex()->Checkpoint(folder.path() + "/index").ok()) return state.SkipWithError("no copy could be made");
  const std::shared_ptr<RocksResultIndex> index = *RocksResultIndex::Open(folder.path() + "/index");
  const std::shared_ptr<RocksTileStore> tiles = *RocksTileStore::Open(folder.path() + "/tiles", {});
  const auto space = std::make_shared<PretendedSpace>(1000);
  Evictor evictor(tiles, index, std::make_shared<TilePins>(), std::make_shared<Fill>(), space,
                  {.budget_bytes = space->budget()});
  evictor.SetKeep([](const ResultKey&) { return Keep::kPinned; }, [] { return std::vector<ResultKey>(); });
  if (!evictor.RunOnce().ok()) return state.SkipWithError("eviction failed");
  for (auto _ : state) (void)evictor.RunOnce();
}
BENCHMARK(EvictNothing)->Unit(benchmark::kMillisecond)->Iterations(3);

// --- Tiles of a matte: ours, plain files, Redis.

constexpr int kWidth = 1920, kHeight = 1080;

// One channel of a frame, in halves.
using Plane = std::vector<uint16_t>;

enum class Kind { kMatte, kKey, kPlate };
constexpr const char* kKindNames[] = {"matte", "key of a noisy plate, unclamped", "noisy plate"};

// The middle frame of the drawn shot (tests/scene): its exact matte; its plate
// with light noise; and green less the greater of the other two of that plate,
// a matte as it leaves a key, with all the noise.
std::vector<Plane> PlanesOf(Kind kind) {
  using namespace scene;
  static const auto* const drawn = [] {
    RenderOptions options;
    options.shot.width = kWidth;
    options.shot.height = kHeight;
    const FrameTruth truth = Painter(options.shot, options.hue, options.seed).Draw(1012);
    return new std::pair<Picture, Picture>(truth.foreground, Record(options, truth, 1012));
  }();
  const auto plane = [](const Picture& p, auto value) {
    Plane out;
    for (const Rgba& pixel : p.pixels) out.push_back(half(value(pixel)).bits());
    return out;
  };
  const auto& [foreground, plate] = *drawn;
  switch (kind) {
    case Kind::kMatte:
      return {plane(foreground, [](Rgba p) { return p.a; })};
    case Kind::kKey:
      return {plane(plate, [](Rgba p) { return p.g - std::max(p.r, p.b); })};
    case Kind::kPlate:
      return {plane(plate, [](Rgba p) { return p.r; }), plane(plate, [](Rgba p) { return p.g; }),
              plane(plate, [](Rgba p) { return p.b; })};
  }
  std::abort();
}

// The tiles of a plane; of a constant one none, as it is stored nowhere.
struct Tile {
  std::string content;
  TileLayout layout;
};
std::vector<Tile> TilesOf(const Plane& plane) {
  std::vector<Tile> tiles;
  for (int ty = 0; ty < kHeight; ty += kTileSize) {
    for (int tx = 0; tx < kWidth; tx += kTileSize) {
      const int w = std::min(kTileSize, kWidth - tx), h = std::min(kTileSize, kHeight - ty);
      std::string content;
      for (int y = 0; y < h; ++y) content.append(reinterpret_cast<const char*>(&plane[kWidth * (ty + y) + tx]), 2 * w);
      const bool constant = std::equal(content.begin() + 2, content.end(), content.begin());
      if (!constant) tiles.push_back({std::move(content), {.sample_bytes = 2, .row_samples = static_cast<size_t>(w)}});
    }
  }
  return tiles;
}

// The tiles of the matte that aren't constant.
const std::vector<Tile>& Frame() {
  static const auto* const frame = new std::vector<Tile>(TilesOf(PlanesOf(Kind::kMatte).front()));
  return *frame;
}

uint64_t FrameBytes() {
  uint64_t bytes = 0;
  for (const Tile& tile : Frame()) bytes += tile.content.size();
  return bytes;
}

// All of what a commit costs: encoding, digest, writing, syncing.
void PutFrameOurs(benchmark::State& state) {
  const Folder folder;
  VerifyingTileStore store(*RocksTileStore::Open(folder.path(), {}));
  std::vector<Tile> frame = Frame();
  uint64_t salt = 0;
  for (auto _ : state) {
    std::vector<StoredTile> tiles;
    ++salt;
    for (auto& [content, layout] : frame) {
      std::memcpy(content.data(), &salt, sizeof salt);
      tiles.push_back({Sha256(content), EncodeTile(content, layout)});
    }
    if (!store.Put(tiles).ok() || !store.MakeDurable().ok()) return state.SkipWithError("put");
  }
  state.SetBytesProcessed(state.iterations() * FrameBytes());
}
BENCHMARK(PutFrameOurs)->Unit(benchmark::kMillisecond)->Iterations(60);

void GetFrameOurs(benchmark::State& state) {
  const Folder folder;
  VerifyingTileStore store(*RocksTileStore::Open(folder.path(), {}));
  std::vector<StoredTile> tiles;
  for (const auto& [content, layout] : Frame()) tiles.push_back({Sha256(content), EncodeTile(content, layout)});
  if (!store.Put(tiles).ok()) return state.SkipWithError("put");
  const std::vector<Digest> digests = DigestsOf(tiles);
  for (auto _ : state) {
    const auto found = store.Get(digests);
    for (const auto& tile : *found) benchmark::DoNotOptimize(DecodeTile(*tile));
  }
  state.SetBytesProcessed(state.iterations() * FrameBytes());
}
BENCHMARK(GetFrameOurs)->Unit(benchmark::kMillisecond)->MinTime(1);

bool WriteSynced(const std::string& path, const std::string& bytes) {
  const int fd = open(path.c_str(), O_WRONLY | O_CREAT | O_TRUNC, 0644);
  if (fd < 0) return false;
  const bool ok = write(fd, bytes.data(), bytes.size()) == static_cast<ssize_t>(bytes.size()) && fdatasync(fd) == 0;
  return close(fd) == 0 && ok;
}

// One raw file a tile, synced: no digest, no compression.
void PutFramePlainFiles(benchmark::State& state) {
  const Folder folder;
  const std::vector<Tile>& frame = Frame();
  int n = 0;
  for (auto _ : state) {
    for (const auto& [content, layout] : frame) {
      if (!WriteSynced(folder.path() + "/" + std::to_string(n++), content)) return state.SkipWithError("write");
    }
  }
  state.SetBytesProcessed(state.iterations() * FrameBytes());
}
BENCHMARK(PutFramePlainFiles)->Unit(benchmark::kMillisecond)->Iterations(30);

void GetFramePlainFiles(benchmark::State& state) {
  const Folder folder;
  for (size_t i = 0; i < Frame().size(); ++i) WriteSynced(folder.path() + "/" + std::to_string(i), Frame()[i].content);
  std::string bytes(2 * kTileSize * kTileSize, '\0');
  for (auto _ : state) {
    for (size_t i = 0; i < Frame().size(); ++i) {
      const int fd = open((folder.path() + "/" + std::to_string(i)).c_str(), O_RDONLY);
      benchmark::DoNotOptimize(read(fd, bytes.data(), bytes.size()));
      close(fd);
    }
  }
  state.SetBytesProcessed(state.iterations() * FrameBytes());
}
BENCHMARK(GetFramePlainFiles)->Unit(benchmark::kMillisecond)->MinTime(1);

// A redis-server of our own on a socket; its log synced at every write, as we do.
class Redis {
 public:
  Redis() {
    if (std::system("command -v redis-server >/dev/null 2>&1") != 0) return;
    const std::string socket = folder_.path() + "/redis.sock";
    child_ = fork();
    if (child_ == 0) {
      const int null = open("/dev/null", O_WRONLY);
      dup2(null, 1);
      execlp("redis-server", "redis-server", "--port", "0", "--unixsocket", socket.c_str(), "--dir",
             folder_.path().c_str(), "--save", "", "--appendonly", "yes", "--appendfsync", "always", nullptr);
      _exit(127);
    }
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    std::strncpy(address.sun_path, socket.c_str(), sizeof address.sun_path - 1);
    for (int i = 0; i < 500; ++i) {
      fd_ = ::socket(AF_UNIX, SOCK_STREAM, 0);
      if (connect(fd_, reinterpret_cast<sockaddr*>(&address), sizeof address) == 0) return;
      close(fd_);
      fd_ = -1;
      usleep(10'000);
    }
  }
  ~Redis() {
    if (fd_ >= 0) close(fd_);
    if (child_ > 0) kill(child_, SIGKILL), waitpid(child_, nullptr, 0);
  }
  bool there() const { return fd_ >= 0; }

  static void Command(std::string* out, const std::vector<std::string_view>& words) {
    *out += "*" + std::to_string(words.size()) + "\r\n";
    for (const std::string_view w : words) (*out += "$" + std::to_string(w.size()) + "\r\n").append(w) += "\r\n";
  }
  // Sends a pipeline and reads until `replies` bytes came.
  bool Exchange(const std::string& commands, size_t reply_bytes) {
    for (size_t at = 0; at < commands.size();) {
      const ssize_t n = write(fd_, commands.data() + at, std::min<size_t>(commands.size() - at, 1 << 16));
      if (n <= 0) return false;
      at += static_cast<size_t>(n);
    }
    std::vector<char> buffer(1 << 20);
    for (size_t got = 0; got < reply_bytes;) {
      const ssize_t n = read(fd_, buffer.data(), buffer.size());
      if (n <= 0) return false;
      got += static_cast<size_t>(n);
    }
    return true;
  }

 private:
  Folder folder_;
  pid_t child_ = -1;
  int fd_ = -1;
};

void PutFrameRedis(benchmark::State& state) {
  Redis redis;
  if (!redis.there()) return state.SkipWithError("skipped: no redis-server on this machine");
  const std::vector<Tile>& frame = Frame();
  int n = 0;
  for (auto _ : state) {
    std::string commands;
    for (const auto& [content, layout] : frame) Redis::Command(&commands, {"SET", std::to_string(n++ % 400), content});
    if (!redis.Exchange(commands, 5 * Frame().size())) return state.SkipWithError("redis went away");
  }
  state.SetBytesProcessed(state.iterations() * FrameBytes());
}
BENCHMARK(PutFrameRedis)->Unit(benchmark::kMillisecond)->Iterations(30);

void GetFrameRedis(benchmark::State& state) {
  Redis redis;
  if (!redis.there()) return state.SkipWithError("skipped: no redis-server on this machine");
  std::string puts, gets;
  size_t reply = 0;
  for (size_t i = 0; i < Frame().size(); ++i) {
    Redis::Command(&puts, {"SET", std::to_string(i), Frame()[i].content});
    Redis::Command(&gets, {"GET", std::to_string(i)});
    reply += 1 + std::to_string(Frame()[i].content.size()).size() + 2 + Frame()[i].content.size() + 2;
  }
  if (!redis.Exchange(puts, 5 * Frame().size())) return state.SkipWithError("redis went away");
  for (auto _ : state) {
    if (!redis.Exchange(gets, reply)) return state.SkipWithError("redis went away");
  }
  state.SetBytesProcessed(state.iterations() * FrameBytes());
}
BENCHMARK(GetFrameRedis)->Unit(benchmark::kMillisecond)->MinTime(1);

// --- Bytes of a frame of 1920 x 1080, in kB, beside time to encode it.

Window FullWindow() {
  Window w;
  w.set_width(kWidth);
  w.set_height(kHeight);
  return w;
}

uint64_t OurBytes(const std::vector<Plane>& planes) {
  uint64_t bytes = 0;
  for (const Plane& plane : planes) {
    // A place in the manifest, whether there are bytes or not.
    bytes += TileGrid(FullWindow()).count() * kTileRefBytes;
    for (const auto& [content, layout] : TilesOf(plane)) bytes += EncodeTile(content, layout).size();
  }
  return bytes;
}

uint64_t ExrZipBytes(const std::vector<Plane>& planes, const std::string& path) {
  Imf::Header header(kWidth, kHeight);
  header.compression() = Imf::ZIP_COMPRESSION;
  Imf::FrameBuffer frame;
  const char* const names[] = {"R", "G", "B"};
  for (size_t c = 0; c < planes.size(); ++c) {
    const char* name = planes.size() == 1 ? "A" : names[c];
    header.channels().insert(name, Imf::Channel(Imf::HALF));
    char* base = const_cast<char*>(reinterpret_cast<const char*>(planes[c].data()));
    frame.insert(name, Imf::Slice(Imf::HALF, base, 2, 2 * kWidth));
  }
  {
    Imf::OutputFile file(path.c_str(), header);
    file.setFrameBuffer(frame);
    file.writePixels(kHeight);
  }
  return fs::file_size(path);
}

void BytesAFrame(benchmark::State& state) {
  const auto kind = static_cast<Kind>(state.range(0));
  const bool exr = state.range(1) == 1;
  const std::vector<Plane> planes = PlanesOf(kind);
  const Folder folder;
  uint64_t bytes = 0;
  for (auto _ : state) bytes = exr ? ExrZipBytes(planes, folder.path() + "/x.exr") : OurBytes(planes);
  const double raw = static_cast<double>(planes.size()) * kWidth * kHeight * 2;
  state.counters["kB"] = static_cast<double>(bytes) / 1000;
  state.counters["of_raw"] = static_cast<double>(bytes) / raw;
  state.SetBytesProcessed(static_cast<int64_t>(state.iterations() * raw));
  state.SetLabel(std::string(kKindNames[state.range(0)]) + (exr ? ", EXR ZIP" : ", ours"));
}
BENCHMARK(BytesAFrame)->ArgsProduct({{0, 1, 2}, {0, 1}})->Unit(benchmark::kMillisecond)->Iterations(5);

}  // namespace
}  // namespace selvage
