// Early return on error. The lowest layer says what went wrong; each caller
// adds where, keeping the code:
//   ASSIGN_OR_RETURN(Blob blob, store.Get(key), Annotate("input 'matte'"));
#pragma once

#include <string>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/strings/str_cat.h"

namespace selvage {

// Adds context in front of a message, keeping code.
class Annotate {
 public:
  template <class... Parts>
  explicit Annotate(const Parts&... parts) : where_(absl::StrCat(parts...)) {}
  absl::Status operator()(const absl::Status& s) const {
    return absl::Status(s.code(), absl::StrCat(where_, ": ", s.message()));
  }

 private:
  std::string where_;
};

struct NoAnnotation {
  absl::Status operator()(const absl::Status& s) const { return s; }
};

}  // namespace selvage

#define SELVAGE_CONCAT_(a, b) a##b
#define SELVAGE_CONCAT(a, b) SELVAGE_CONCAT_(a, b)
#define SELVAGE_PICK(_1, _2, NAME, ...) NAME

#define RETURN_IF_ERROR(...) SELVAGE_PICK(__VA_ARGS__, SELVAGE_RETURN_2, SELVAGE_RETURN_1)(__VA_ARGS__)
#define SELVAGE_RETURN_1(expr) SELVAGE_RETURN_2(expr, ::selvage::NoAnnotation{})
#define SELVAGE_RETURN_2(expr, annotate)                         \
  do {                                                           \
    ::absl::Status selvage_status = (expr);                      \
    if (!selvage_status.ok()) return (annotate)(selvage_status); \
  } while (false)

#define SELVAGE_PICK3(_1, _2, _3, NAME, ...) NAME
#define ASSIGN_OR_RETURN(...) SELVAGE_PICK3(__VA_ARGS__, SELVAGE_ASSIGN_3, SELVAGE_ASSIGN_2)(__VA_ARGS__)
#define SELVAGE_ASSIGN_2(lhs, expr) SELVAGE_ASSIGN_3(lhs, expr, ::selvage::NoAnnotation{})
#define SELVAGE_ASSIGN_3(lhs, expr, annotate) \
  SELVAGE_ASSIGN_IMPL(SELVAGE_CONCAT(selvage_value_, __COUNTER__), lhs, expr, annotate)
#define SELVAGE_ASSIGN_IMPL(temp, lhs, expr, annotate) \
  auto temp = (expr);                                  \
  if (!temp.ok()) return (annotate)(temp.status());    \
  lhs = *std::move(temp)
