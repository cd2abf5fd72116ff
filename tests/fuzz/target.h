// A target takes any bytes and must come to an end: what it refuses is fine, what breaks a
// promise aborts. FUZZ_TARGET(name) { ... text ... } makes one. With Clang it becomes a
// program that searches for input (tests/fuzz/run); with any compiler fuzz_tests plays it
// what lies in corpus/<name>, and mutations of that.
#pragma once

#include <cstdio>
#include <cstdlib>
#include <string>
#include <string_view>
#include <vector>

namespace selvage::fuzz {

struct Target {
  std::string name;
  void (*run)(std::string_view text);
};

// All that are linked in.
std::vector<Target>& Targets();

struct Registrar {
  Registrar(const char* name, void (*run)(std::string_view)) { Targets().push_back({name, run}); }
};

}  // namespace selvage::fuzz

#define FUZZ_TARGET(name)                                                        \
  static void Fuzz_##name(std::string_view text);                                \
  static const ::selvage::fuzz::Registrar registrar_##name(#name, &Fuzz_##name); \
  static void Fuzz_##name(std::string_view text)

// What holds whatever the input is, in any build.
#define MUST(condition)                                                    \
  do {                                                                     \
    if (!(condition)) {                                                    \
      std::fprintf(stderr, "%s:%d: %s\n", __FILE__, __LINE__, #condition); \
      std::abort();                                                        \
    }                                                                      \
  } while (false)
