#include "cache/rocks_files.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <cerrno>
#include <cstdarg>
#include <cstdio>
#include <cstring>
#include <ctime>
#include <string>
#include <utility>

#include "rocksdb/file_system.h"

namespace selvage {
namespace {

using rocksdb::FileOptions;
using rocksdb::FSWritableFile;
using rocksdb::IODebugContext;
using rocksdb::IOOptions;
using rocksdb::IOStatus;

bool DiskIsFull(int error) { return error == ENOSPC || error == EDQUOT; }

IOStatus Failed(const std::string& what, const std::string& path, int error) {
  IOStatus status = DiskIsFull(error) ? IOStatus::NoSpace(what + " " + path, std::strerror(error))
                                      : IOStatus::IOError(what + " " + path, std::strerror(error));
  // As RocksDB says it of its own files.
  status.SetRetryable(DiskIsFull(error));
  return status;
}

class ReservedFile final : public FSWritableFile {
 public:
  ReservedFile(int file, uint64_t size, const std::string& path, std::shared_ptr<DiskReserve> reserve)
      : file_(file), size_(size), path_(path), reserve_(std::move(reserve)) {}
  ~ReservedFile() override {
    if (file_ >= 0) close(file_);
  }

  IOStatus Append(const rocksdb::Slice& data, const IOOptions&, IODebugContext*) override {
    const char* at = data.data();
    size_t left = data.size();
    while (left > 0) {
      const ssize_t wrote = write(file_, at, left);
      if (wrote < 0) {
        const int error = errno;
        if (DiskIsFull(error)) {
          reserve_->MakeRoom();
        } else if (error != EINTR) {
          return Failed("writing", path_, error);
        }
        continue;
      }
      at += wrote;
      left -= static_cast<size_t>(wrote);
      size_ += static_cast<uint64_t>(wrote);
    }
    return IOStatus::OK();
  }
  IOStatus Append(const rocksdb::Slice& data, const IOOptions& options, const rocksdb::DataVerificationInfo&,
                  IODebugContext* context) override {
    return Append(data, options, context);
  }
  IOStatus Truncate(uint64_t size, const IOOptions&, IODebugContext*) override {
    if (ftruncate(file_, static_cast<off_t>(size)) != 0) return Failed("truncating", path_, errno);
    size_ = size;
    return IOStatus::OK();
  }
  IOStatus Close(const IOOptions&, IODebugContext*) override {
    const int file = std::exchange(file_, -1);
    return file < 0 || close(file) == 0 ? IOStatus::OK() : Failed("closing", path_, errno);
  }
  IOStatus Flush(const IOOptions&, IODebugContext*) override { return IOStatus::OK(); }
  IOStatus Sync(const IOOptions&, IODebugContext*) override { return Synced(&fdatasync); }
  IOStatus Fsync(const IOOptions&, IODebugContext*) override { return Synced(&fsync); }
  bool IsSyncThreadSafe() const override { return true; }
  uint64_t GetFileSize(const IOOptions&, IODebugContext*) override { return size_; }
  IOStatus RangeSync(uint64_t offset, uint64_t bytes, const IOOptions&, IODebugContext*) override {
    // A hint: what must be durable is synced.
    sync_file_range(file_, static_cast<off_t>(offset), static_cast<off_t>(bytes), SYNC_FILE_RANGE_WRITE);
    return IOStatus::OK();
  }

 private:
  IOStatus Synced(int (*sync)(int)) {
    int result = sync(file_);
    // Where blocks are given out late (networks, quotas), a full disk shows here.
    if (result != 0 && DiskIsFull(errno) && reserve_->GiveUp()) result = sync(file_);
    return result == 0 ? IOStatus::OK() : Failed("syncing", path_, errno);
  }

  int file_;
  uint64_t size_;
  const std::string path_;
  const std::shared_ptr<DiskReserve> reserve_;
};

// RocksDB's diary. Its own logger aborts when the disk is full; of this one, lines that find
// no room are lost.
class LossyLogger final : public rocksdb::Logger {
 public:
  explicit LossyLogger(int file) : file_(file) {}
  ~LossyLogger() override { close(file_); }

  using rocksdb::Logger::Logv;
  void Logv(const char* format, va_list arguments) override {
    char line[1024];
    // Seconds since 1970, then what it says.
    const int begin = std::snprintf(line, sizeof line, "%lld ", static_cast<long long>(std::time(nullptr)));
    const size_t room = sizeof line - 1 - static_cast<size_t>(begin);
    const int length = std::vsnprintf(line + begin, room, format, arguments);
    if (length < 0) return;
    const size_t bytes = static_cast<size_t>(begin) + std::min(static_cast<size_t>(length), room - 1);
    line[bytes] = '\n';
    const ssize_t wrote = write(file_, line, bytes + 1);
    if (wrote > 0) size_ += static_cast<size_t>(wrote);
  }
  size_t GetLogFileSize() const override { return size_; }

 private:
  const int file_;
  std::atomic<size_t> size_{0};
};

class ReservingFileSystem final : public rocksdb::FileSystemWrapper {
 public:
  explicit ReservingFileSystem(std::shared_ptr<DiskReserve> reserve)
      : FileSystemWrapper(rocksdb::FileSystem::Default()), reserve_(std::move(reserve)) {}
  const char* Name() const override { return "selvage"; }

  IOStatus NewWritableFile(const std::string& path, const FileOptions&, std::unique_ptr<FSWritableFile>* file,
                           IODebugContext*) override {
    return Open(path, O_TRUNC, file);
  }
  IOStatus ReopenWritableFile(const std::string& path, const FileOptions&, std::unique_ptr<FSWritableFile>* file,
                              IODebugContext*) override {
    return Open(path, O_APPEND, file);
  }
  IOStatus NewLogger(const std::string& path, const IOOptions&, std::shared_ptr<rocksdb::Logger>* logger,
                     IODebugContext*) override {
    const int file = open(path.c_str(), O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0644);
    if (file < 0) return Failed("opening", path, errno);
    *logger = std::make_shared<LossyLogger>(file);
    return IOStatus::OK();
  }

 private:
  IOStatus Open(const std::string& path, int how, std::unique_ptr<FSWritableFile>* file) {
    file->reset();
    int opened;
    while ((opened = open(path.c_str(), O_WRONLY | O_CREAT | O_CLOEXEC | how, 0644)) < 0) {
      if (DiskIsFull(errno)) {
        reserve_->MakeRoom();
      } else if (errno != EINTR) {
        return Failed("opening", path, errno);
      }
    }
    struct stat found;
    const uint64_t size = fstat(opened, &found) == 0 ? static_cast<uint64_t>(found.st_size) : 0;
    *file = std::make_unique<ReservedFile>(opened, size, path, reserve_);
    return IOStatus::OK();
  }

  const std::shared_ptr<DiskReserve> reserve_;
};

}  // namespace

std::unique_ptr<rocksdb::Env> MakeReservingEnv(std::shared_ptr<DiskReserve> reserve) {
  return rocksdb::NewCompositeEnv(std::make_shared<ReservingFileSystem>(std::move(reserve)));
}

}  // namespace selvage
