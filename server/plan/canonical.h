// Bytes that recipes are hashed from: our own encoding, never serialised
// protobuf, whose bytes may change with its version.
//
// DO NOT CHANGE without raising kCanonicalVersion: every stored result is
// found under a digest of these bytes (tests/vectors holds them).
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

#include "absl/status/status.h"
#include "google/protobuf/message.h"
#include "proto/digest.h"

namespace selvage::plan {

inline constexpr uint32_t kCanonicalVersion = 1;

// Appends to one buffer. Numbers are fixed-width little-endian, byte strings
// are preceded by their length as 64 bits.
class CanonicalWriter {
 public:
  // Starts with the domain ("selvage recipe") and the version, so that bytes of
  // one purpose never pass for bytes of another.
  explicit CanonicalWriter(std::string_view domain);

  void U8(uint8_t v) { out_.push_back(static_cast<char>(v)); }
  void U32(uint32_t v) { Fixed(v); }
  void I32(int32_t v) { Fixed(static_cast<uint32_t>(v)); }
  void U64(uint64_t v) { Fixed(v); }
  void I64(int64_t v) { Fixed(static_cast<uint64_t>(v)); }
  // -0 becomes +0. REQUIRES: not NaN (AppendMessage refuses it).
  void F64(double v);
  void Bytes(std::string_view v);
  // 32 bytes, no length.
  void Raw(const Digest& d) { out_.append(d.view()); }

  // A message: its set fields in ascending order of numbers, each as
  //   u32 number, u8 type, value            (u8 type | 0x80, u64 count, values)
  // types: 1 u64 (bool, unsigned), 2 i64 (signed, enum), 3 f64, 4 bytes,
  // 5 message, preceded by its length. A field without presence is set when it
  // is not zero. Fields that name an input or hold a box to measure are left
  // out: what they stand for is in the recipe by its own key.
  // Errors: INTERNAL for NaN, or a field that this version doesn't know.
  absl::Status Message(const google::protobuf::Message& m);

  const std::string& bytes() const { return out_; }
  Digest Sha() const { return Sha256(out_); }

 private:
  template <class T>
  void Fixed(T v) {
    char b[sizeof v];
    for (size_t i = 0; i < sizeof v; ++i) b[i] = static_cast<char>(v >> (8 * i));
    out_.append(b, sizeof v);
  }
  absl::Status Fields(const google::protobuf::Message& m);
  absl::Status Value(const google::protobuf::Message& m, const google::protobuf::FieldDescriptor* f, int index);

  std::string out_;
};

}  // namespace selvage::plan
