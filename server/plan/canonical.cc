#include "server/plan/canonical.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"
#include "proto/status.h"

namespace selvage::plan {
namespace {

using google::protobuf::Descriptor;
using google::protobuf::FieldDescriptor;
using google::protobuf::Reflection;

enum Type : uint8_t { kUnsigned = 1, kSigned = 2, kDouble = 3, kBytes = 4, kMessage = 5, kRepeated = 0x80 };

Type TypeOf(const FieldDescriptor* f) {
  switch (f->cpp_type()) {
    case FieldDescriptor::CPPTYPE_BOOL:
    case FieldDescriptor::CPPTYPE_UINT32:
    case FieldDescriptor::CPPTYPE_UINT64:
      return kUnsigned;
    case FieldDescriptor::CPPTYPE_INT32:
    case FieldDescriptor::CPPTYPE_INT64:
    case FieldDescriptor::CPPTYPE_ENUM:
      return kSigned;
    case FieldDescriptor::CPPTYPE_FLOAT:
    case FieldDescriptor::CPPTYPE_DOUBLE:
      return kDouble;
    case FieldDescriptor::CPPTYPE_STRING:
      return kBytes;
    case FieldDescriptor::CPPTYPE_MESSAGE:
      return kMessage;
  }
  return kMessage;
}

// Fields that go in, by number. Sorting and reading options is slow, and there
// are few types.
const std::vector<const FieldDescriptor*>& FieldsOf(const Descriptor* d) {
  thread_local absl::flat_hash_map<const Descriptor*, std::vector<const FieldDescriptor*>> known;
  auto [it, is_new] = known.try_emplace(d);
  if (is_new) {
    for (int i = 0; i < d->field_count(); ++i) {
      const ParamTraits& traits = TraitsOf(d->field(i));
      if (traits.input_size() == 0 && traits.measure() == MEASURE_NONE) it->second.push_back(d->field(i));
    }
    std::sort(it->second.begin(), it->second.end(),
              [](const FieldDescriptor* a, const FieldDescriptor* b) { return a->number() < b->number(); });
  }
  return it->second;
}

// Protobuf takes a double of -0 without presence for set, and so differs from
// us, to whom it is zero.
bool IsSet(const google::protobuf::Message& m, const FieldDescriptor* f) {
  const Reflection* r = m.GetReflection();
  if (!r->HasField(m, f)) return false;
  if (f->has_presence()) return true;
  if (f->cpp_type() == FieldDescriptor::CPPTYPE_DOUBLE) return r->GetDouble(m, f) != 0;
  if (f->cpp_type() == FieldDescriptor::CPPTYPE_FLOAT) return r->GetFloat(m, f) != 0;
  return true;
}

}  // namespace

CanonicalWriter::CanonicalWriter(std::string_view domain) {
  Bytes(domain);
  U32(kCanonicalVersion);
}

void CanonicalWriter::F64(double v) { U64(std::bit_cast<uint64_t>(v == 0 ? 0.0 : v)); }

void CanonicalWriter::Bytes(std::string_view v) {
  U64(v.size());
  out_.append(v);
}

absl::Status CanonicalWriter::Value(const google::protobuf::Message& m, const FieldDescriptor* f, int index) {
  const Reflection* r = m.GetReflection();
  const bool many = f->is_repeated();
  switch (f->cpp_type()) {
    case FieldDescriptor::CPPTYPE_BOOL:
      U64(many ? r->GetRepeatedBool(m, f, index) : r->GetBool(m, f));
      break;
    case FieldDescriptor::CPPTYPE_UINT32:
      U64(many ? r->GetRepeatedUInt32(m, f, index) : r->GetUInt32(m, f));
      break;
    case FieldDescriptor::CPPTYPE_UINT64:
      U64(many ? r->GetRepeatedUInt64(m, f, index) : r->GetUInt64(m, f));
      break;
    case FieldDescriptor::CPPTYPE_INT32:
      I64(many ? r->GetRepeatedInt32(m, f, index) : r->GetInt32(m, f));
      break;
    case FieldDescriptor::CPPTYPE_INT64:
      I64(many ? r->GetRepeatedInt64(m, f, index) : r->GetInt64(m, f));
      break;
    case FieldDescriptor::CPPTYPE_ENUM:
      I64(many ? r->GetRepeatedEnumValue(m, f, index) : r->GetEnumValue(m, f));
      break;
    case FieldDescriptor::CPPTYPE_FLOAT:
    case FieldDescriptor::CPPTYPE_DOUBLE: {
      const bool single = f->cpp_type() == FieldDescriptor::CPPTYPE_FLOAT;
      const double v = single ? (many ? r->GetRepeatedFloat(m, f, index) : r->GetFloat(m, f))
                              : (many ? r->GetRepeatedDouble(m, f, index) : r->GetDouble(m, f));
      if (std::isnan(v)) return absl::InternalError(absl::StrCat(f->full_name(), " is NaN"));
      F64(v);
      break;
    }
    case FieldDescriptor::CPPTYPE_STRING: {
      std::string scratch;
      Bytes(many ? r->GetRepeatedStringReference(m, f, index, &scratch) : r->GetStringReference(m, f, &scratch));
      break;
    }
    case FieldDescriptor::CPPTYPE_MESSAGE: {
      // The length is known afterwards: written over its place.
      const size_t at = out_.size();
      U64(0);
      RETURN_IF_ERROR(Fields(many ? r->GetRepeatedMessage(m, f, index) : r->GetMessage(m, f)));
      const uint64_t length = out_.size() - at - 8;
      for (int i = 0; i < 8; ++i) out_[at + i] = static_cast<char>(length >> (8 * i));
      break;
    }
  }
  return absl::OkStatus();
}

absl::Status CanonicalWriter::Fields(const google::protobuf::Message& m) {
  const Reflection* r = m.GetReflection();
  if (r->GetUnknownFields(m).field_count() > 0) {
    return absl::InternalError(absl::StrCat(m.GetDescriptor()->full_name(), " has a field of another version"));
  }
  for (const FieldDescriptor* f : FieldsOf(m.GetDescriptor())) {
    const int count = f->is_repeated() ? r->FieldSize(m, f) : IsSet(m, f) ? 1 : 0;
    if (count == 0) continue;
    U32(static_cast<uint32_t>(f->number()));
    if (f->is_repeated()) {
      U8(TypeOf(f) | kRepeated);
      U64(static_cast<uint64_t>(count));
    } else {
      U8(TypeOf(f));
    }
    for (int i = 0; i < count; ++i) RETURN_IF_ERROR(Value(m, f, i));
  }
  return absl::OkStatus();
}

absl::Status CanonicalWriter::Message(const google::protobuf::Message& m) {
  const size_t at = out_.size();
  U64(0);
  RETURN_IF_ERROR(Fields(m));
  const uint64_t length = out_.size() - at - 8;
  for (int i = 0; i < 8; ++i) out_[at + i] = static_cast<char>(length >> (8 * i));
  return absl::OkStatus();
}

}  // namespace selvage::plan
