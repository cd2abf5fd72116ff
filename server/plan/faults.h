// What is wrong with a stack, as it is found.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "proto/job.pb.h"
#include "proto/options.pb.h"
#include "google/protobuf/repeated_field.h"

namespace selvage::plan {

class Faults {
 public:
  static constexpr size_t kMost = 50;

  void Add(std::string path, std::string message) {
    if (full()) return;
    StackError& e = errors_.emplace_back();
    e.set_path(std::move(path));
    e.set_message(std::move(message));
  }
  bool full() const { return errors_.size() >= kMost; }
  std::vector<StackError> Take() { return std::move(errors_); }

 private:
  std::vector<StackError> errors_;
};

// Part of a stack, for programs ("pass[1].step[0].levels") and for people
// (`pass "core" step 1 (levels)`).
struct Place {
  std::string path, words;
  // A field in it: path + "." + field, words + " " + field.
  Place Field(const std::string& field) const;
  // Item of a list in it: path + ".shape[0]", words + " shape 1".
  Place Item(const std::string& field, int index) const;
};

// For messages: what is not printable escaped, at most 64 bytes of it.
std::string Quoted(const std::string& text);

// "a matte", "straight colour", "a matte or colour" ...
std::string KindsInWords(const google::protobuf::RepeatedField<int>& takes);
// The same of an input that is to be named: "a matte", "a picture with straight colour".
std::string InputsInWords(const google::protobuf::RepeatedField<int>& takes);
// What to add where something of kind `given` does not fit: "add `premultiply`".
std::string KindAdvice(const google::protobuf::RepeatedField<int>& takes, Kind given);
// "is a matte, needs straight colour; ...": for something of a kind that is not taken.
std::string KindMisfit(const google::protobuf::RepeatedField<int>& takes, Kind given);

}  // namespace selvage::plan
