// What an operator is to the executor. One operator = one message in
// proto/ops, one file in worker/ops, one test in tests/ops.
#pragma once

#include <functional>
#include <map>
#include <memory>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "google/protobuf/message.h"
#include "proto/farm.pb.h"
#include "proto/step.pb.h"
#include "worker/picture/image.h"

namespace selvage::worker {

// What lies beyond the window of an input.
enum class Beyond {
  kRepeat,       // the nearest edge pixel
  kTransparent,  // zero
};

// One input as an operator sees it.
struct Input {
  // "in" for the main input, else the field path of the port ("screen.clean_plate").
  std::string port;
  int frame_offset = 0;
  Kind kind = KIND_UNSPECIFIED;
  // Where the result has pixels of its own.
  Rect window;
  // Pixels over exactly the rectangle asked for by Needs (not set in Needs,
  // Window). Beyond the window they are filled in as Edge says.
  Picture picture;
  // Content of a measuring step's blob: its values, and all of it.
  std::vector<float> numbers;
  std::shared_ptr<const Measurement> measured;
};

class Inputs {
 public:
  explicit Inputs(std::vector<Input> all) : all_(std::move(all)) {}
  // The step before, at the frame of the task. REQUIRES: not a source operator.
  const Input& main() const { return *Find("in"); }
  // nullptr where the port is not connected.
  const Input* Find(const std::string& port, int frame_offset = 0) const;
  const std::vector<Input>& all() const { return all_; }
  std::vector<Input>& all() { return all_; }

 private:
  std::vector<Input> all_;
};

struct OpContext {
  Rect format;
  int frame = 0;
  // Result key of the task, stack and pass, for provenance in delivered files.
  const TaskSpec* task = nullptr;
  // Polled in long loops: true = no job needs the result any more, return CANCELLED.
  std::function<bool()> stopped = [] { return false; };
  // Tells the artist something about a result that is good nevertheless, in one
  // sentence. Only GLOBAL, TEMPORAL and measuring steps: they render once. Must
  // follow from the inputs alone, like pixels.
  std::function<void(const std::string& sentence)> warning = [](const std::string&) {};
};

// Stateless: one object serves all threads.
class Op {
 public:
  virtual ~Op() = default;

  // Where the output has pixels. Default: the main input's window, the format for a source.
  virtual Rect OutputWindow(const OpContext&, const google::protobuf::Message& params, const Inputs& in) const;

  // Pixels of `input` that are needed for the output rectangle `out`. Default:
  // `out` for POINTWISE and NEIGHBOURHOOD, the input's whole window for GLOBAL and TEMPORAL.
  virtual Rect Needs(const OpContext&, const google::protobuf::Message& params, const Rect& out,
                     const Input& input) const;

  virtual Beyond Edge(const google::protobuf::Message&, const std::string& port) const {
    (void)port;
    return Beyond::kRepeat;
  }

  // True where a pixel's place changes it even between equal inputs. Otherwise
  // the chain makes one pixel of constant inputs and fills the rectangle with it.
  virtual bool PlaceMatters(const google::protobuf::Message&) const { return false; }

  // Fills `out`, whose planes are allocated over the rectangle to make (for
  // GLOBAL and TEMPORAL: the whole window). A plane may also be replaced by one
  // of an input that covers the same rectangle, to pass it on as it is (never
  // write to that one), and `constant` may be set. Inputs cover Needs(out). Must give
  // the same bits for a pixel whatever rectangle it is asked for in.
  // Errors: INVALID_ARGUMENT what an artist did wrong.
  virtual absl::Status Render(const OpContext&, const google::protobuf::Message& params, const Inputs& in,
                              Picture* out) const;

  // For operators that give BLOB.
  virtual absl::StatusOr<std::string> RenderBlob(const OpContext&, const google::protobuf::Message& params,
                                                 const Inputs& in) const;
};

// Registration by operator name; ops live in an OBJECT library so that the
// linker keeps them.
class OpRegistrar {
 public:
  OpRegistrar(const std::string& name, std::unique_ptr<Op> op);
};
// nullptr if no operator of that name was linked in.
const Op* FindOp(const std::string& name);

// Typed parameters: override the three-argument versions.
template <class Params>
class TypedOp : public Op {
 public:
  using M = google::protobuf::Message;
  virtual Rect Window(const OpContext& c, const Params&, const Inputs& in) const {
    return Op::OutputWindow(c, *NoParams(), in);
  }
  virtual Rect Reads(const OpContext& c, const Params& p, const Rect& out, const Input& input) const {
    return Op::Needs(c, p, out, input);
  }
  virtual absl::Status Make(const OpContext& c, const Params& p, const Inputs& in, Picture* out) const {
    return Op::Render(c, p, in, out);
  }
  virtual absl::StatusOr<std::string> MakeBlob(const OpContext& c, const Params& p, const Inputs& in) const {
    return Op::RenderBlob(c, p, in);
  }

  Rect OutputWindow(const OpContext& c, const M& p, const Inputs& in) const final { return Window(c, Cast(p), in); }
  Rect Needs(const OpContext& c, const M& p, const Rect& out, const Input& input) const final {
    return Reads(c, Cast(p), out, input);
  }
  absl::Status Render(const OpContext& c, const M& p, const Inputs& in, Picture* out) const final {
    return Make(c, Cast(p), in, out);
  }
  absl::StatusOr<std::string> RenderBlob(const OpContext& c, const M& p, const Inputs& in) const final {
    return MakeBlob(c, Cast(p), in);
  }

 private:
  static const Params& Cast(const M& p) { return static_cast<const Params&>(p); }
  static const M* NoParams() { return &Params::default_instance(); }
};

#define REGISTER_OP(name, Class) \
  static const ::selvage::worker::OpRegistrar selvage_registrar_##Class(name, std::make_unique<Class>())

}  // namespace selvage::worker
