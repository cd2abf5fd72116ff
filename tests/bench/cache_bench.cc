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
#include <random>

#include "cache/open.h"
#include "cache/rocks_result_index.h"
#include "cache/rocks_tile_store.h"
#include "cache/tile_codec.h"
#include "cache/verifying_tile_store.h"
#include "server/epochs.h"
#include "server/keep_table.h"
#include "tests/cache/cache_testing.h"

namespace selvage {
namespace {

namespace fs = std::filesystem;

// --- An index of a million results.

constexpr int kPasses = 40;

int Results() {
  const char* text = std::getenv("SELVAGE_BENCH_RESULTS");
  return text == nullptr ? 1'000'000 : std::atoi(text);
}

// Made once, kept between runs: filling takes a minute.
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
    // A matte of 1920 x 1080: 40 tiles, most constant, eight at the edge.
    Manifest manifest;
    manifest.set_kind(MATTE);
    manifest.add_channel("A");
    manifest.mutable_window()->set_width(1920);
    manifest.mutable_window()->set_height(1080);
    for (int t = 0; t < 40; ++t) {
      AppendTile(&manifest, t % 5 == 0 ? TileRef{.digest = Sha256("tile " + std::to_string(t))}
                                       : TileRef{.constant = true, .value = 1});
    }
    for (int i = 0; i < Results();) {
      IndexBatch batch;
      for (int k = 0; k < 4096 && i < Results(); ++k, ++i) {
        ResultRecord r;
        r.manifest = manifest;
        r.worker = "render" + std::to_string(i % 7) + ":1";
        r.made_unix_ms = 1'700'000'000'000 + i;
        r.seconds = 1;
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

std::unique_ptr<RocksResultIndex> OpenIndex() { return *RocksResultIndex::Open(IndexFolder() + "/state/index"); }

// As planning asks: a level of keys at a time, in no order.
void ProbeHits(benchmark::State& state) {
  const auto index = OpenIndex();
  std::mt19937_64 random(3);
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
BENCHMARK(ProbeHits)->MinTime(2);

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
BENCHMARK(ProbeMisses)->MinTime(2);

// What `why` of one pass at one frame asks of the index: forty names and results.
void WhyLookups(benchmark::State& state) {
  const auto index = OpenIndex();
  std::mt19937 random(5);
  for (auto _ : state) {
    std::vector<NameRecord> places(5 * kPasses);
    const std::string stack = "shot" + std::to_string(random() % static_cast<uint32_t>(std::max(1, Results() / 40'000)));
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

// What eviction does when the cache is full: one look at every result.
void ScanForEviction(benchmark::State& state) {
  const auto index = OpenIndex();
  for (auto _ : state) {
    uint64_t tiles = 0;
    (void)index->ScanResults([&](const ResultKey&, const ResultRecord& r) { tiles += StoredDigests(r.manifest).size(); });
    benchmark::DoNotOptimize(tiles);
  }
  state.SetItemsProcessed(state.iterations() * Results());
}
BENCHMARK(ScanForEviction)->Unit(benchmark::kMillisecond)->Iterations(1);

// --- Tiles of a matte: ours, plain files, Redis.

uint16_t HalfBits(float v) { return half(v).bits(); }

// Alpha of a soft-edged disc with fine hair, at tile `n`.
std::string MatteTile(int n) {
  std::string content(256 * 256 * 2, '\0');
  for (int y = 0; y < 256; ++y) {
    for (int x = 0; x < 256; ++x) {
      const float d = std::hypot(x - 40.0f - n % 13, y - 300.0f) - 250 + 6 * std::sin(0.3f * (x + n));
      const uint16_t bits = HalfBits(std::clamp(0.5f - d / 9, 0.0f, 1.0f));
      std::memcpy(&content[2 * (256 * y + x)], &bits, 2);
    }
  }
  return content;
}

// Forty tiles: one frame.
const std::vector<std::string>& Frame() {
  static const auto* const frame = [] {
    auto* tiles = new std::vector<std::string>;
    for (int n = 0; n < 40; ++n) tiles->push_back(MatteTile(n));
    return tiles;
  }();
  return *frame;
}

class Folder {
 public:
  Folder() { fs::remove_all(path_), fs::create_directories(path_); }
  ~Folder() { fs::remove_all(path_); }
  const std::string& path() const { return path_; }

 private:
  std::string path_ = (fs::temp_directory_path() / ("selvage-bench-" + std::to_string(getpid()))).string();
};

uint64_t FrameBytes() { return Frame().size() * Frame().front().size(); }

// All of what a commit costs: encoding, digest, writing, syncing.
void PutFrameOurs(benchmark::State& state) {
  const Folder folder;
  VerifyingTileStore store(*RocksTileStore::Open(folder.path(), {}));
  uint64_t salt = 0;
  for (auto _ : state) {
    std::vector<StoredTile> tiles;
    ++salt;
    for (std::string content : Frame()) {
      std::memcpy(content.data(), &salt, sizeof salt);
      tiles.push_back(TileOfContent(content));
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
  for (const std::string& content : Frame()) tiles.push_back(TileOfContent(content));
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
  int n = 0;
  for (auto _ : state) {
    for (const std::string& content : Frame()) {
      if (!WriteSynced(folder.path() + "/" + std::to_string(n++), content)) return state.SkipWithError("write");
    }
  }
  state.SetBytesProcessed(state.iterations() * FrameBytes());
}
BENCHMARK(PutFramePlainFiles)->Unit(benchmark::kMillisecond)->Iterations(30);

void GetFramePlainFiles(benchmark::State& state) {
  const Folder folder;
  for (size_t i = 0; i < Frame().size(); ++i) WriteSynced(folder.path() + "/" + std::to_string(i), Frame()[i]);
  std::string bytes(Frame().front().size(), '\0');
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
      execlp("redis-server", "redis-server", "--port", "0", "--unixsocket", socket.c_str(), "--dir", folder_.path().c_str(),
             "--save", "", "--appendonly", "yes", "--appendfsync", "always", nullptr);
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
  int n = 0;
  for (auto _ : state) {
    std::string commands;
    for (const std::string& content : Frame()) Redis::Command(&commands, {"SET", std::to_string(n++ % 400), content});
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
    Redis::Command(&puts, {"SET", std::to_string(i), Frame()[i]});
    Redis::Command(&gets, {"GET", std::to_string(i)});
    reply += 1 + std::to_string(Frame()[i].size()).size() + 2 + Frame()[i].size() + 2;
  }
  if (!redis.Exchange(puts, 5 * Frame().size())) return state.SkipWithError("redis went away");
  for (auto _ : state) {
    if (!redis.Exchange(gets, reply)) return state.SkipWithError("redis went away");
  }
  state.SetBytesProcessed(state.iterations() * FrameBytes());
}
BENCHMARK(GetFrameRedis)->Unit(benchmark::kMillisecond)->MinTime(1);

// --- Bytes of a frame of 1920 x 1080, in kB, beside time to encode it.

constexpr int kWidth = 1920, kHeight = 1080;

// One channel of a frame, in halves.
using Plane = std::vector<uint16_t>;

Plane MattePlane() {
  Plane plane(kWidth * kHeight);
  for (int y = 0; y < kHeight; ++y) {
    for (int x = 0; x < kWidth; ++x) {
      const float d = std::hypot(x - 960.0f, (y - 640.0f) * 0.7f) - 330 + 8 * std::sin(0.2f * x) * std::sin(0.13f * y);
      plane[kWidth * y + x] = HalfBits(std::clamp(0.5f - d / 7, 0.0f, 1.0f));
    }
  }
  return plane;
}

// A lit gradient with grain whose variance rises with the signal.
Plane GrainyPlane(int channel) {
  std::mt19937 random(91 + static_cast<uint32_t>(channel));
  std::normal_distribution<float> normal;
  Plane plane(kWidth * kHeight);
  for (int y = 0; y < kHeight; ++y) {
    for (int x = 0; x < kWidth; ++x) {
      const float clean = 0.12f + 0.3f * x / kWidth + 0.1f * std::sin(0.01f * y + channel);
      plane[kWidth * y + x] = HalfBits(std::max(0.0f, clean + std::sqrt(2e-4f * clean + 1e-5f) * normal(random)));
    }
  }
  return plane;
}

uint64_t OurBytes(const std::vector<Plane>& planes) {
  uint64_t bytes = 0;
  for (const Plane& plane : planes) {
    for (int ty = 0; ty < kHeight; ty += 256) {
      for (int tx = 0; tx < kWidth; tx += 256) {
        const int w = std::min(256, kWidth - tx), h = std::min(256, kHeight - ty);
        std::string content;
        for (int y = 0; y < h; ++y) content.append(reinterpret_cast<const char*>(&plane[kWidth * (ty + y) + tx]), 2 * w);
        const bool constant = std::all_of(content.begin(), content.end(), [&, i = 0](char c) mutable { return c == content[i++ % 2]; });
        // A constant is 33 bytes of a manifest like any other, and nothing else.
        bytes += 33 + (constant ? 0 : EncodeTile(content).size());
      }
    }
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
  const bool matte = state.range(0) == 0, exr = state.range(1) == 1;
  std::vector<Plane> planes;
  for (int c = 0; c < (matte ? 1 : 3); ++c) planes.push_back(matte ? MattePlane() : GrainyPlane(c));
  const Folder folder;
  uint64_t bytes = 0;
  for (auto _ : state) bytes = exr ? ExrZipBytes(planes, folder.path() + "/x.exr") : OurBytes(planes);
  state.counters["kB"] = static_cast<double>(bytes) / 1000;
  state.counters["raw_kB"] = static_cast<double>(planes.size()) * kWidth * kHeight * 2 / 1000;
  state.SetLabel(std::string(matte ? "matte" : "grainy plate") + (exr ? ", EXR ZIP" : ", ours"));
}
BENCHMARK(BytesAFrame)->ArgsProduct({{0, 1}, {0, 1}})->Unit(benchmark::kMillisecond)->Iterations(3);

}  // namespace
}  // namespace selvage
