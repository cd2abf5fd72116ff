#include "tests/server/fake_worker.h"

#include <sys/stat.h>

#include <chrono>
#include <fstream>
#include <sstream>

#include "cache/manifest.h"
#include "cache/tile_codec.h"
#include "proto/ops/internal.pb.h"
#include "proto/version.h"

namespace selvage {

FakeWorker::FakeWorker(std::shared_ptr<grpc::Channel> channel, const std::string& id, int slots, Instead instead,
                       const std::string& version)
    : id_(id),
      slots_(slots),
      instead_(std::move(instead)),
      version_(version.empty() ? kVersion : version),
      farm_(FarmService::NewStub(channel)),
      cache_(CacheService::NewStub(channel)) {
  stream_ = farm_->Work(&context_);
  loop_ = std::thread([this] { Loop(); });
}

FakeWorker::~FakeWorker() {
  Kill();
  if (loop_.joinable()) loop_.join();
  for (auto& t : old_threads_) t.join();
}

void FakeWorker::Kill() {
  dead_ = true;
  context_.TryCancel();
}

grpc::Status FakeWorker::WaitForEnd() {
  if (loop_.joinable()) loop_.join();
  return end_;
}

std::map<std::string, int> FakeWorker::counts() const {
  std::lock_guard<std::mutex> lock(mutex_);
  return counts_;
}

int FakeWorker::total() const {
  int sum = 0;
  for (const auto& [pass, n] : counts()) sum += n;
  return sum;
}

void FakeWorker::Report() {
  WorkerReport r;
  r.set_worker_id(id_);
  r.set_name(id_);
  r.set_slots(static_cast<uint32_t>(slots_));
  r.set_version(version_);
  std::lock_guard<std::mutex> lock(mutex_);
  for (const auto& [key, attempt] : running_) {
    r.add_running()->set_key(key);
    r.mutable_running(r.running_size() - 1)->set_attempt(attempt);
  }
  stream_->Write(r);
}

void FakeWorker::Loop() {
  Report();
  WorkerOrders orders;
  while (stream_->Read(&orders)) {
    {
      std::lock_guard<std::mutex> lock(mutex_);
      for (const TaskSpec& spec : orders.start()) {
        running_[spec.key()] = spec.attempt();
        old_threads_.emplace_back([this, spec] { RunTask(spec); });
      }
    }
    Report();
  }
  end_ = stream_->Finish();
}

Manifest FakeWorker::Render(const TaskSpec& spec, std::string* content) {
  std::string recipe;
  bool blob = false, measures = false;
  for (const Step& step : spec.step()) {
    recipe += step.SerializeAsString();
    blob |= step.has_deliver_file() || step.has_look_picture() || step.has_sample_color();
    measures |= step.has_sample_color();
  }
  for (const TaskInput& in : spec.input()) {
    recipe += in.port();
    if (in.has_stored()) recipe += ContentDigest(in.stored()).str();
    if (in.has_plate()) recipe += in.plate().digest();
    if (in.has_mask()) recipe += in.mask().SerializeAsString();
  }
  const Digest essence = Sha256(recipe);
  Manifest m;
  if (blob) {
    if (measures) {
      Measurement measurement;
      for (int i = 0; i < 3; ++i) measurement.add_values(essence.bytes[static_cast<size_t>(i)] / 256.0f);
      measurement.SerializeToString(content);
    } else {
      // A little over one chunk, so that files come in two pieces.
      content->assign(kBlobChunkBytes + 1000, '.');
      content->replace(0, 64, essence.Hex());
    }
    m.set_kind(BLOB);
    m.set_blob_size(content->size());
    for (size_t at = 0; at < content->size(); at += kBlobChunkBytes) {
      AppendTile(&m, {.digest = Sha256(content->substr(at, kBlobChunkBytes))});
    }
  } else {
    content->assign(64 * 64 * 2, '\0');
    content->replace(0, 32, essence.str());
    m.set_kind(MATTE);
    m.mutable_window()->set_width(64);
    m.mutable_window()->set_height(64);
    m.add_channel("A");
    AppendTile(&m, {.digest = Sha256(*content)});
  }
  return m;
}

void FakeWorker::Upload(const Digest& digest, const std::string& content) {
  grpc::ClientContext context;
  WriteTilesReply reply;
  auto writer = cache_->WriteTiles(&context, &reply);
  WriteTilesRequest request;
  request.add_tile()->set_digest(digest.str());
  request.mutable_tile(0)->set_data(EncodeTile(content));
  writer->Write(request);
  writer->WritesDone();
  (void)writer->Finish();
}

void FakeWorker::RunInner(TaskSpec* spec, TaskOutcome* outcome) {
  std::vector<Manifest> made;
  const auto read = [&](TaskSpec* reader) {
    for (TaskInput& in : *reader->mutable_input()) {
      if (in.has_inner()) *in.mutable_stored() = made.at(in.inner());
    }
  };
  for (TaskSpec inner : spec->inner()) {
    read(&inner);
    std::string content;
    made.push_back(Render(inner, &content));
    std::lock_guard<std::mutex> lock(mutex_);
    if (inner.has_known()) {
      ++counts_["known " + inner.pass()];
      continue;
    }
    ++counts_[inner.pass()];
    TaskOutcome* of = outcome->add_inner();
    of->set_key(inner.key());
    of->set_seconds(0.01);
    *of->mutable_manifest() = made.back();
    of->set_tile_keys(Sha256(content).str());
  }
  read(spec);
}

void FakeWorker::RunTask(TaskSpec spec) {
  if (task_ms > 0) std::this_thread::sleep_for(std::chrono::milliseconds(task_ms));
  TaskOutcome outcome;
  std::string content;
  std::optional<TaskOutcome> other;
  if (instead_) other = instead_(spec);
  RunInner(&spec, &outcome);
  if (other && other->result_case() == TaskOutcome::RESULT_NOT_SET) {
    if (other->warning().empty() && other->span().empty()) return;
    *outcome.mutable_warning() = other->warning();
    *outcome.mutable_span() = other->span();
    other.reset();
  }
  if (other) {
    outcome = *other;
  } else if (spec.has_inspect()) {
    std::ifstream in(spec.inspect().path());
    std::stringstream bytes;
    bytes << in.rdbuf();
    struct stat s;
    ::stat(spec.inspect().path().c_str(), &s);
    PlateFacts* f = outcome.mutable_facts();
    f->set_digest(Sha256(bytes.str()).str());
    f->mutable_format()->set_width(64);
    f->mutable_format()->set_height(64);
    f->mutable_data_window()->set_width(64);
    f->mutable_data_window()->set_height(64);
    PlateFacts::Part* part = f->add_part();
    for (const char* c : {"R", "G", "B"}) part->add_channel(c);
    *part->mutable_data_window() = f->data_window();
    f->mutable_metadata();
    f->set_size(static_cast<uint64_t>(s.st_size));
    f->set_mtime_ns(int64_t{s.st_mtim.tv_sec} * 1'000'000'000 + s.st_mtim.tv_nsec);
    f->set_inode(s.st_ino);
    f->set_file_type("openexr");
    f->set_encoding(ENCODING_LINEAR);
  } else {
    *outcome.mutable_manifest() = Render(spec, &content);
    // One tile, and all that it is made of.
    if (outcome.manifest().kind() == MATTE) outcome.set_tile_keys(Sha256(content).str());
  }
  outcome.set_worker_id(id_);
  outcome.set_key(spec.key());
  outcome.set_attempt(spec.attempt());
  if (!other || !keeps_seconds) outcome.set_seconds(0.01);
  const auto upload = [&] {
    for (size_t at = 0; at < content.size(); at += kBlobChunkBytes) {
      const std::string chunk = content.substr(at, kBlobChunkBytes);
      Upload(Sha256(chunk), chunk);
    }
  };
  if (!lazy) upload();
  for (int attempt = 0; attempt < 5 && !dead_; ++attempt) {
    grpc::ClientContext context;
    FinishReply reply;
    const grpc::Status status = farm_->Finish(&context, outcome, &reply);
    if (status.error_code() == grpc::StatusCode::INVALID_ARGUMENT) break;  // refused
    if (!status.ok()) {
      std::this_thread::sleep_for(std::chrono::milliseconds(200));
      continue;
    }
    if (reply.missing().empty()) break;
    upload();
  }
  std::lock_guard<std::mutex> lock(mutex_);
  // It may be running again already, under another attempt.
  if (const auto it = running_.find(spec.key()); it != running_.end() && it->second == spec.attempt())
    running_.erase(it);
  ++counts_[spec.pass()];
}

}  // namespace selvage
