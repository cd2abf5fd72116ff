#include "worker/run/executor.h"

#include <algorithm>
#include <chrono>
#include <new>
#include <optional>
#include <unordered_map>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "absl/strings/str_cat.h"
#include "proto/mutex.h"
#include "proto/status.h"
#include "worker/chain/chain.h"
#include "worker/chain/spans.h"
#include "worker/files/plate_reader.h"
#include "worker/picture/window.h"
#include "worker/run/blame.h"
#include "worker/run/decoded_cache.h"
#include "worker/run/inner_result.h"
#include "worker/run/render_places.h"
#include "worker/run/result_writer.h"
#include "worker/run/sources.h"
#include "worker/run/tile_keys.h"

namespace selvage::worker {
namespace {

using Clock = std::chrono::steady_clock;

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

absl::StatusOr<std::shared_ptr<const Measurement>> ReadMeasurement(const Manifest& manifest, TileStore& store,
                                                                   const TaskSpans& spans) {
  ASSIGN_OR_RETURN(const std::string bytes, ReadBlob(manifest, store, spans));
  auto measurement = std::make_shared<Measurement>();
  if (!measurement->ParseFromString(bytes)) return absl::DataLossError("a measurement cannot be read");
  return std::shared_ptr<const Measurement>(std::move(measurement));
}

// Of a plate: halves; alpha of an opaque one is not held.
uint64_t DecodedBytes(const Source& plate) {
  const int channels = plate.kind() == OPAQUE ? 3 : ChannelCount(plate.kind());
  return plate.window().area() * channels * sizeof(uint16_t);
}

absl::Status NothingRendered() { return absl::InternalError("nothing was rendered here"); }

// Spans of storing: encoding and all else.
constexpr int kStoreSpans = 2;

// One run of a task with all that comes along.
struct Bundle {
  const TaskSpec& task;
  const std::function<bool()>& stopped;
  const Clock::time_point began;
  // Where the time goes.
  SpanRecorder* spans;
  // Null where nobody reads it any more.
  std::vector<std::shared_ptr<InnerResult>> inner;
  Blame blame;
  TaskOutcome outcome;

  // What an inner task takes that hands in nothing counts for the task itself.
  TaskSpans SpansOf(int number) const { return {spans, number >= 0 && task.inner(number).has_known() ? -1 : number}; }
  // Of what came to nothing, all is the task's own.
  void WriteSpans() {
    const bool whole = outcome.has_error();
    spans->AddTo(&outcome, SpanRecorder::kMaxSpans - kStoreSpans, [whole](int number) { return whole || number < 0; });
    int next = 0;
    for (int i = 0; i < task.inner_size() && next < outcome.inner_size(); ++i) {
      if (task.inner(i).has_known()) continue;
      spans->AddTo(outcome.mutable_inner(next++), SpanRecorder::kMaxSpans, [i](int number) { return number == i; });
    }
  }
};

// The last task that reads each inner one; inner.size() stands for the task itself.
std::vector<int> LastReaders(const TaskSpec& task) {
  std::vector<int> last(task.inner_size(), 0);
  const auto note = [&](const TaskSpec& spec, int reader) {
    for (const TaskInput& in : spec.input()) {
      if (in.of_case() == TaskInput::kInner && in.inner() < last.size()) last[in.inner()] = reader;
    }
  };
  for (int i = 0; i < task.inner_size(); ++i) note(task.inner(i), i);
  note(task, task.inner_size());
  return last;
}

}  // namespace

struct Executor::Impl {
  Impl(std::shared_ptr<TileStore> s, const ExecutorOptions& options)
      : store(std::move(s)), memory(options.memory_bytes), plates(options.plates), map(options.map) {}

  // `number`: of the inner task, -1 the task itself.
  absl::StatusOr<std::vector<ChainInput>> OpenInputs(const TaskSpec& task, const Rect& format, int number,
                                                     Bundle* bundle);
  absl::StatusOr<std::unique_ptr<Chain>> MakeChain(const TaskSpec& task, int number, TaskOutcome* outcome,
                                                   Bundle* bundle);
  absl::Status RunInner(Bundle* bundle);
  absl::StatusOr<PlateFacts> Inspect(const std::string& path) const;
  absl::Status Elsewhere(const absl::Status& status, const std::string& path) const;
  absl::Status Render(Bundle* bundle);
  absl::Status RenderBlob(const TaskSpec& task, Chain* chain, ResultWriter* writer, TaskOutcome* outcome);
  absl::Status RenderTiles(Bundle* bundle, Chain* chain, ResultWriter* writer);

  const std::shared_ptr<TileStore> store;
  DecodedCache memory;
  const PlateLimits plates;
  const PathMap map;
  Mutex mutex;
  // Finished results that are not handed in yet, by key.
  struct Finished {
    std::shared_ptr<ResultWriter> writer;
    SpanRecorder::Clock::time_point taken_up;
  };
  std::unordered_map<std::string, Finished> finished ABSL_GUARDED_BY(mutex);

  std::optional<Finished> Find(const std::string& key) {
    MutexLock lock(&mutex);
    const auto it = finished.find(key);
    return it == finished.end() ? std::nullopt : std::optional(it->second);
  }
};

absl::StatusOr<std::vector<ChainInput>> Executor::Impl::OpenInputs(const TaskSpec& task, const Rect& format, int number,
                                                                   Bundle* bundle) {
  std::vector<ChainInput> inputs;
  const TaskSpans spans = bundle->SpansOf(number);
  uint64_t plate_bytes = 0;
  for (int i = 0; i < task.input_size(); ++i) {
    const TaskInput& given = task.input(i);
    bundle->blame.Opening(number, i);
    const Annotate where("input \"", given.name(), "\"");
    ChainInput input;
    // -1 is the source of the segment: the main input of its first step.
    input.step = std::max(0, given.step());
    input.port = given.step() < 0 ? "in" : given.port();
    input.frame_offset = given.frame_offset();
    switch (given.of_case()) {
      case TaskInput::kStored:
        if (given.stored().kind() == BLOB) {
          ASSIGN_OR_RETURN(input.measured, ReadMeasurement(given.stored(), *store, spans), where);
        } else {
          ASSIGN_OR_RETURN(input.source, OpenStored(given.stored(), store, &memory, spans), where);
        }
        break;
      case TaskInput::kPlate: {
        PlateRead read = given.plate();
        ASSIGN_OR_RETURN(*read.mutable_path(), map.Here(read.path()));
        auto opened = OpenPlate(read, format, plates, &memory, spans);
        if (!opened.ok()) return Elsewhere(opened.status(), given.plate().path());
        input.source = *std::move(opened);
        plate_bytes += DecodedBytes(*input.source);
        RETURN_IF_ERROR(CheckTaskSize(plate_bytes, plates));
        break;
      }
      case TaskInput::kMask:
        input.source = OpenMask(given.mask(), format, spans);
        break;
      case TaskInput::kInner:
        if (given.inner() >= bundle->inner.size() || bundle->inner[given.inner()] == nullptr) {
          return where(absl::InternalError("comes after what reads it"));
        }
        input.source = bundle->inner[given.inner()];
        break;
      default:
        return where(absl::InternalError("is neither a result nor a plate nor a mask"));
    }
    // What an inner task fails of, it says itself.
    if (input.source && !given.has_inner()) {
      input.source = std::make_shared<Blamed>(input.source, number, i, &bundle->blame);
    }
    inputs.push_back(std::move(input));
  }
  return inputs;
}

// Of a light chain: what the earlier result has is reused.
absl::Status Executor::Impl::RenderTiles(Bundle* bundle, Chain* chain, ResultWriter* writer) {
  const TaskSpec& task = bundle->task;
  TaskOutcome* const outcome = &bundle->outcome;
  const Rect window = chain->window();
  const TileGrid grid(ToWindow(window));
  std::vector<bool> wanted(grid.count(), true);
  if (const auto recipe = Digest::FromBytes(task.tile_recipe())) {
    const SpanScope scope(bundle->SpansOf(-1), kHashTiles);
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

  return RenderPlaces(chain, wanted, bundle->stopped,
                      [writer](const Picture& picture) { return writer->Add(picture); });
}

// A file is made in one go, of all that it reads: so there is one key.
absl::Status Executor::Impl::RenderBlob(const TaskSpec& task, Chain* chain, ResultWriter* writer,
                                        TaskOutcome* outcome) {
  const auto recipe = Digest::FromBytes(task.tile_recipe());
  if (recipe && chain->ReadsOnlyPictures()) {
    ASSIGN_OR_RETURN(*outcome->mutable_tile_keys(), BlobKey(*chain, *recipe));
    const EarlierResult& earlier = task.earlier();
    if (earlier.tile_keys() == outcome->tile_keys() && earlier.manifest().kind() == BLOB &&
        ValidateManifest(earlier.manifest()).ok()) {
      ASSIGN_OR_RETURN(const std::vector<Digest> gone, store->FindMissing(StoredDigests(earlier.manifest())));
      if (gone.empty()) {
        writer->TakeOverBlob(earlier.manifest());
        outcome->set_tiles_reused(1);
        *outcome->mutable_maker() = earlier.maker();
        return absl::OkStatus();
      }
    }
  }
  ASSIGN_OR_RETURN(const std::string bytes, chain->RenderBlob());
  return writer->AddBlob(bytes);
}

absl::StatusOr<std::unique_ptr<Chain>> Executor::Impl::MakeChain(const TaskSpec& task, int number, TaskOutcome* outcome,
                                                                 Bundle* bundle) {
  OpContext context;
  context.format = {0, 0, static_cast<int>(task.format().width()), static_cast<int>(task.format().height())};
  context.frame = task.frame();
  context.task = &task;
  context.stopped = bundle->stopped;
  // Light pictures, which is all that inner tasks make, have nothing to say.
  if (number < 0) context.warning = [outcome](const std::string& sentence) { outcome->add_warning(sentence); };
  ASSIGN_OR_RETURN(std::vector<ChainInput> inputs, OpenInputs(task, context.format, number, bundle));
  return Chain::Make(context, {task.step().begin(), task.step().end()}, std::move(inputs), task.first_step(),
                     bundle->SpansOf(number));
}

absl::Status Executor::Impl::RunInner(Bundle* bundle) {
  const std::vector<int> last_readers = LastReaders(bundle->task);
  for (int i = 0; i < bundle->task.inner_size(); ++i) {
    const auto began = Clock::now();
    const TaskSpec& task = bundle->task.inner(i);
    // One that is known hands in nothing.
    TaskOutcome unused;
    TaskOutcome* outcome = task.has_known() ? &unused : bundle->outcome.add_inner();
    outcome->set_key(task.key());
    ASSIGN_OR_RETURN(std::unique_ptr<Chain> chain, MakeChain(task, i, outcome, bundle));
    if (chain->kind() == BLOB || chain->heavy()) return absl::InternalError("an inner task that is no light picture");
    auto inner = std::make_shared<InnerResult>(std::move(chain), i, bundle->stopped, &memory, &bundle->blame,
                                               bundle->SpansOf(i));
    RETURN_IF_ERROR(task.has_known() ? inner->Know(task.known()) : inner->Settle(task, outcome));
    outcome->set_seconds(std::chrono::duration<double>(Clock::now() - began).count());
    bundle->inner.push_back(std::move(inner));
    // Its readers hold it as long as they may still render.
    for (int k = 0; k <= i; ++k) {
      if (last_readers[k] <= i) bundle->inner[k].reset();
    }
  }
  return absl::OkStatus();
}

absl::StatusOr<PlateFacts> Executor::Impl::Inspect(const std::string& path) const {
  ASSIGN_OR_RETURN(const std::string here, map.Here(path));
  auto facts = InspectPlateFile(here, plates);
  if (!facts.ok()) return Elsewhere(facts.status(), path);
  return facts;
}

// A file that is only missing where this worker looks may be there on another one.
absl::Status Executor::Impl::Elsewhere(const absl::Status& status, const std::string& path) const {
  if (map.empty() || !absl::IsNotFound(status)) return status;
  return absl::UnavailableError(
      absl::StrCat(status.message(), " on this worker, whose --map puts ", path, " there; is the disk mounted?"));
}

absl::Status Executor::Impl::Render(Bundle* bundle) {
  RETURN_IF_ERROR(RunInner(bundle));
  const TaskSpec& task = bundle->task;
  TaskOutcome* const outcome = &bundle->outcome;
  ASSIGN_OR_RETURN(const std::unique_ptr<Chain> chain, MakeChain(task, -1, outcome, bundle));
  bundle->inner.clear();
  const auto writer = std::make_shared<ResultWriter>(store, &memory, bundle->SpansOf(-1));
  if (chain->kind() == BLOB) {
    RETURN_IF_ERROR(RenderBlob(task, chain.get(), writer.get(), outcome));
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
      RETURN_IF_ERROR(RenderTiles(bundle, chain.get(), writer.get()));
    }
  }
  ASSIGN_OR_RETURN(*outcome->mutable_manifest(), writer->Finish());
  MutexLock lock(&mutex);
  finished[task.key()] = {writer, bundle->began};
  return absl::OkStatus();
}

Executor::Executor(std::shared_ptr<TileStore> store, const ExecutorOptions& options)
    : impl_(std::make_unique<Impl>(std::move(store), options)) {}
Executor::~Executor() = default;

TaskOutcome Executor::Render(const TaskSpec& task, const std::function<bool()>& stopped) {
  const auto began = Clock::now();
  SpanRecorder spans(began, kOther);
  Bundle bundle{task, stopped, began, &spans, {}, {}, {}};
  TaskOutcome& outcome = bundle.outcome;
  outcome.set_key(task.key());
  outcome.set_attempt(task.attempt());
  absl::Status status;
  try {
    if (task.has_inspect()) {
      SpanScope scope(bundle.SpansOf(-1), kInspectPlate);
      auto facts = impl_->Inspect(task.inspect().path());
      status = facts.status();
      if (facts.ok()) scope.AddBytes(facts->size());
      if (facts.ok()) *outcome.mutable_facts() = *std::move(facts);
    } else {
      status = impl_->Render(&bundle);
    }
  } catch (const std::bad_alloc&) {
    status = absl::ResourceExhaustedError("out of memory");
  } catch (const std::exception& e) {
    status = absl::InternalError(e.what());
  }
  double seconds = std::chrono::duration<double>(Clock::now() - began).count();
  if (!status.ok()) {
    outcome.clear_inner();
    TaskError* error = outcome.mutable_error();
    error->set_class_(ClassOf(status));
    error->set_message(std::string(status.message()));
    error->set_input(static_cast<uint32_t>(bundle.blame.input));
    if (bundle.blame.inner >= 0) error->set_inner_key(task.inner(bundle.blame.inner).key());
  }
  for (const TaskOutcome& inner : outcome.inner()) seconds -= inner.seconds();
  outcome.set_seconds(std::max(0.0, seconds));
  bundle.WriteSpans();
  return std::move(outcome);
}

void Executor::Store(TaskOutcome* outcome) {
  if (!outcome->has_manifest()) return;
  const auto began = Clock::now();
  absl::Status status;
  try {
    const auto finished = impl_->Find(outcome->key());
    if (!finished) {
      status = NothingRendered();
    } else {
      SpanRecorder spans(finished->taken_up, kStoreTiles);
      status = finished->writer->Store({&spans});
      spans.AddTo(outcome, kStoreSpans, [](int) { return true; });
    }
  } catch (const std::bad_alloc&) {
    status = absl::ResourceExhaustedError("out of memory");
  }
  outcome->set_seconds(outcome->seconds() + std::chrono::duration<double>(Clock::now() - began).count());
  if (status.ok()) return;
  outcome->clear_inner();
  TaskError* error = outcome->mutable_error();
  error->set_class_(ClassOf(status));
  error->set_message(std::string(status.message()));
}

TaskOutcome Executor::Run(const TaskSpec& task, const std::function<bool()>& stopped) {
  TaskOutcome outcome = Render(task, stopped);
  Store(&outcome);
  return outcome;
}

absl::Status Executor::Rewrite(const TaskOutcome& outcome) {
  const auto finished = impl_->Find(outcome.key());
  return finished ? finished->writer->Store() : NothingRendered();
}

void Executor::Forget(const std::string& key) {
  MutexLock lock(&impl_->mutex);
  impl_->finished.erase(key);
}

size_t Executor::memory_bytes() const { return impl_->memory.bytes(); }

}  // namespace selvage::worker
