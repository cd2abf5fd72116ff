#include "worker/run/executor.h"

#include <algorithm>
#include <chrono>
#include <new>
#include <unordered_map>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "absl/strings/str_cat.h"
#include "proto/mutex.h"
#include "proto/status.h"
#include "worker/chain/chain.h"
#include "worker/files/plate_reader.h"
#include "worker/picture/window.h"
#include "worker/run/decoded_cache.h"
#include "worker/run/result_writer.h"
#include "worker/run/sources.h"
#include "worker/run/tile_keys.h"

namespace selvage::worker {
namespace {

using Clock = std::chrono::steady_clock;

// Side of the blocks that a light chain is rendered in: a tile stays in the
// processor's cache; a chain with a long reach renders its surroundings with
// every block, so its blocks are larger.
int BlockSide(int reach) {
  int tiles = 1;
  while (tiles < 8 && reach * 8 > tiles * kTileSize) tiles *= 2;
  return tiles * kTileSize;
}

int FloorTo(int v, int side) { return (v >= 0 ? v / side : -((-v + side - 1) / side)) * side; }

TaskError::Class ClassOf(const absl::Status& status) {
  switch (status.code()) {
    case absl::StatusCode::kAborted:
      return TaskError::PLATE_CHANGED;
    case absl::StatusCode::kDataLoss:
      return TaskError::INPUT_LOST;
    case absl::StatusCode::kCancelled:
    case absl::StatusCode::kUnavailable:
    case absl::StatusCode::kDeadlineExceeded:
    case absl::StatusCode::kResourceExhausted:
      return TaskError::INFRASTRUCTURE;
    default:
      return TaskError::OPERATOR;
  }
}

// Remembers which input of the task went wrong.
class Blamed final : public Source {
 public:
  Blamed(std::shared_ptr<Source> below, int index, int* blamed)
      : below_(std::move(below)), index_(index), blamed_(blamed) {}
  Kind kind() const override { return below_->kind(); }
  Rect window() const override { return below_->window(); }
  absl::Status Prefetch(const std::vector<Rect>& rects) override { return Note(below_->Prefetch(rects)); }
  absl::Status Describe(const Rect& rect, std::string* out) override { return Note(below_->Describe(rect, out)); }
  absl::Status Read(const Rect& rect, Picture* out) override { return Note(below_->Read(rect, out)); }

 private:
  absl::Status Note(absl::Status status) {
    if (!status.ok()) *blamed_ = index_;
    return status;
  }
  const std::shared_ptr<Source> below_;
  const int index_;
  int* const blamed_;
};

absl::StatusOr<std::shared_ptr<const Measurement>> ReadMeasurement(const Manifest& manifest, TileStore& store) {
  ASSIGN_OR_RETURN(const std::string bytes, ReadBlob(manifest, store));
  auto measurement = std::make_shared<Measurement>();
  if (!measurement->ParseFromString(bytes)) return absl::DataLossError("a measurement cannot be read");
  return std::shared_ptr<const Measurement>(std::move(measurement));
}

// Of a plate: halves; alpha of an opaque one is not held.
uint64_t DecodedBytes(const Source& plate) {
  const int channels = plate.kind() == OPAQUE ? 3 : ChannelCount(plate.kind());
  return plate.window().area() * channels * sizeof(uint16_t);
}

}  // namespace

struct Executor::Impl {
  Impl(std::shared_ptr<TileStore> s, const ExecutorOptions& options)
      : store(std::move(s)), memory(options.memory_bytes), plates(options.plates) {}

  std::shared_ptr<ResultWriter> NewWriter(const std::string& key);
  absl::StatusOr<std::vector<ChainInput>> OpenInputs(const TaskSpec& task, const Rect& format, int* blamed);
  absl::Status Render(const TaskSpec& task, const std::function<bool()>& stopped, int* blamed, TaskOutcome* outcome);
  absl::Status RenderTiles(const TaskSpec& task, const std::function<bool()>& stopped, Chain* chain,
                           ResultWriter* writer, TaskOutcome* outcome);

  const std::shared_ptr<TileStore> store;
  DecodedCache memory;
  const PlateLimits plates;
  Mutex mutex;
  // Results that are not handed in yet, by key, for Rewrite.
  std::unordered_map<std::string, std::shared_ptr<ResultWriter>> writers ABSL_GUARDED_BY(mutex);
};

std::shared_ptr<ResultWriter> Executor::Impl::NewWriter(const std::string& key) {
  auto writer = std::make_shared<ResultWriter>(store, &memory);
  MutexLock lock(&mutex);
  writers[key] = writer;
  return writer;
}

absl::StatusOr<std::vector<ChainInput>> Executor::Impl::OpenInputs(const TaskSpec& task, const Rect& format,
                                                                   int* blamed) {
  std::vector<ChainInput> inputs;
  uint64_t plate_bytes = 0;
  for (int i = 0; i < task.input_size(); ++i) {
    const TaskInput& given = task.input(i);
    *blamed = i;
    const Annotate where("input \"", given.name(), "\"");
    ChainInput input;
    // -1 is the source of the segment: the main input of its first step.
    input.step = std::max(0, given.step());
    input.port = given.step() < 0 ? "in" : given.port();
    input.frame_offset = given.frame_offset();
    switch (given.of_case()) {
      case TaskInput::kStored:
        if (given.stored().kind() == BLOB) {
          ASSIGN_OR_RETURN(input.measured, ReadMeasurement(given.stored(), *store), where);
        } else {
          ASSIGN_OR_RETURN(input.source, OpenStored(given.stored(), store, &memory), where);
        }
        break;
      case TaskInput::kPlate: {
        ASSIGN_OR_RETURN(input.source, OpenPlate(given.plate(), format, plates, &memory));
        plate_bytes += DecodedBytes(*input.source);
        RETURN_IF_ERROR(CheckTaskSize(plate_bytes, plates));
        break;
      }
      case TaskInput::kMask:
        input.source = OpenMask(given.mask(), format);
        break;
      default:
        return where(absl::InternalError("is neither a result nor a plate nor a mask"));
    }
    if (input.source) input.source = std::make_shared<Blamed>(input.source, i, blamed);
    inputs.push_back(std::move(input));
  }
  return inputs;
}

// Of a light chain: what the earlier result has is reused.
absl::Status Executor::Impl::RenderTiles(const TaskSpec& task, const std::function<bool()>& stopped, Chain* chain,
                                         ResultWriter* writer, TaskOutcome* outcome) {
  const Rect window = chain->window();
  const TileGrid grid(ToWindow(window));
  std::vector<bool> wanted(grid.count(), true);
  if (const auto recipe = Digest::FromBytes(task.tile_recipe())) {
    ASSIGN_OR_RETURN(*outcome->mutable_tile_keys(), TileKeys(*chain, *recipe, grid));
    ASSIGN_OR_RETURN(const std::vector<bool> same,
                     SameTiles(task.earlier(), writer->manifest(), outcome->tile_keys(), store.get()));
    for (int place = 0; place < grid.count(); ++place) {
      if (!same[place]) continue;
      writer->TakeOver(task.earlier().manifest(), place);
      wanted[place] = false;
    }
  }
  const auto rendered = std::count(wanted.begin(), wanted.end(), true);
  outcome->set_tiles_rendered(static_cast<uint32_t>(rendered));
  outcome->set_tiles_reused(static_cast<uint32_t>(grid.count() - rendered));
  if (outcome->tiles_reused() > 0) *outcome->mutable_maker() = task.earlier().maker();

  const int side = BlockSide(chain->Reach());
  Picture picture;
  for (int y = FloorTo(window.y0, side); y < window.y1; y += side) {
    std::vector<Rect> rects;
    for (int x = FloorTo(window.x0, side); x < window.x1; x += side) {
      CoverTiles(grid, {x, y, x + side, y + side}, wanted, &rects);
    }
    if (rects.empty()) continue;
    // A row of blocks at a time: few calls to a store that may be far away.
    RETURN_IF_ERROR(chain->Prefetch(rects));
    for (const Rect& rect : rects) {
      if (stopped()) return absl::CancelledError("cancelled: no job needs this");
      RETURN_IF_ERROR(chain->Render(rect, &picture));
      RETURN_IF_ERROR(writer->Add(picture));
    }
  }
  return absl::OkStatus();
}

absl::Status Executor::Impl::Render(const TaskSpec& task, const std::function<bool()>& stopped, int* blamed,
                                    TaskOutcome* outcome) {
  OpContext context;
  context.format = {0, 0, static_cast<int>(task.format().width()), static_cast<int>(task.format().height())};
  context.frame = task.frame();
  context.task = &task;
  context.stopped = stopped;
  context.warning = [outcome](const std::string& sentence) { outcome->add_warning(sentence); };
  ASSIGN_OR_RETURN(std::vector<ChainInput> inputs, OpenInputs(task, context.format, blamed));
  ASSIGN_OR_RETURN(const std::unique_ptr<Chain> chain, Chain::Make(context, {task.step().begin(), task.step().end()},
                                                                   std::move(inputs), task.first_step()));
  const auto writer = NewWriter(task.key());
  if (chain->kind() == BLOB) {
    ASSIGN_OR_RETURN(const std::string bytes, chain->RenderBlob());
    RETURN_IF_ERROR(writer->AddBlob(bytes));
  } else {
    const Rect window = chain->window();
    writer->BeginPicture(chain->kind(), window, chain->full_precision());
    if (chain->heavy()) {
      Picture picture;
      RETURN_IF_ERROR(chain->Prefetch({window}));
      RETURN_IF_ERROR(chain->Render(window, &picture));
      RETURN_IF_ERROR(writer->Add(picture));
      outcome->set_tiles_rendered(static_cast<uint32_t>(TileGrid(ToWindow(window)).count()));
    } else {
      RETURN_IF_ERROR(RenderTiles(task, stopped, chain.get(), writer.get(), outcome));
    }
  }
  ASSIGN_OR_RETURN(*outcome->mutable_manifest(), writer->Finish());
  return absl::OkStatus();
}

Executor::Executor(std::shared_ptr<TileStore> store, const ExecutorOptions& options)
    : impl_(std::make_unique<Impl>(std::move(store), options)) {}
Executor::~Executor() = default;

TaskOutcome Executor::Run(const TaskSpec& task, const std::function<bool()>& stopped) {
  const auto began = Clock::now();
  TaskOutcome outcome;
  outcome.set_key(task.key());
  outcome.set_attempt(task.attempt());
  int blamed = 0;
  absl::Status status;
  try {
    if (task.has_inspect()) {
      auto facts = InspectPlateFile(task.inspect().path(), impl_->plates);
      status = facts.status();
      if (facts.ok()) *outcome.mutable_facts() = *std::move(facts);
    } else {
      status = impl_->Render(task, stopped, &blamed, &outcome);
    }
  } catch (const std::bad_alloc&) {
    status = absl::ResourceExhaustedError("out of memory");
  } catch (const std::exception& e) {
    status = absl::InternalError(e.what());
  }
  if (!status.ok()) {
    TaskError* error = outcome.mutable_error();
    error->set_class_(ClassOf(status));
    error->set_message(std::string(status.message()));
    error->set_input(static_cast<uint32_t>(blamed));
  }
  outcome.set_seconds(std::chrono::duration<double>(Clock::now() - began).count());
  return outcome;
}

absl::Status Executor::Rewrite(const TaskOutcome& outcome) {
  std::shared_ptr<ResultWriter> writer;
  {
    MutexLock lock(&impl_->mutex);
    const auto it = impl_->writers.find(outcome.key());
    if (it != impl_->writers.end()) writer = it->second;
  }
  if (!writer) return absl::InternalError("nothing was rendered here");
  return writer->Rewrite();
}

void Executor::Forget(const std::string& key) {
  MutexLock lock(&impl_->mutex);
  impl_->writers.erase(key);
}

size_t Executor::memory_bytes() const { return impl_->memory.bytes(); }

}  // namespace selvage::worker
