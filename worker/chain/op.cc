#include "worker/chain/op.h"

#include "absl/strings/str_cat.h"
#include "proto/catalogue.h"

namespace selvage::worker {
namespace {

std::map<std::string, std::unique_ptr<Op>>& Registry() {
  static auto* registry = new std::map<std::string, std::unique_ptr<Op>>;
  return *registry;
}

Extent ExtentOf(const google::protobuf::Message& params) {
  return params.GetDescriptor()->options().GetExtension(op).extent();
}

}  // namespace

const Input* Inputs::Find(const std::string& port, int frame_offset) const {
  for (const Input& input : all_) {
    if (input.frame_offset == frame_offset && input.port == port) return &input;
  }
  return nullptr;
}

Rect Op::OutputWindow(const OpContext& context, const google::protobuf::Message&, const Inputs& in) const {
  const Input* main = in.Find("in");
  return main ? main->window : context.format;
}

Rect Op::Needs(const OpContext&, const google::protobuf::Message& params, const Rect& out, const Input& input) const {
  const Extent extent = ExtentOf(params);
  return extent == GLOBAL || extent == TEMPORAL ? input.window : out;
}

absl::Status Op::Render(const OpContext&, const google::protobuf::Message& params, const Inputs&, Picture*) const {
  return absl::InternalError(absl::StrCat(params.GetDescriptor()->name(), " makes no pixels"));
}

absl::StatusOr<std::string> Op::RenderBlob(const OpContext&, const google::protobuf::Message& params,
                                           const Inputs&) const {
  return absl::InternalError(absl::StrCat(params.GetDescriptor()->name(), " makes no bytes"));
}

OpRegistrar::OpRegistrar(const std::string& name, std::unique_ptr<Op> op) { Registry()[name] = std::move(op); }

const Op* FindOp(const std::string& name) {
  auto it = Registry().find(name);
  return it == Registry().end() ? nullptr : it->second.get();
}

}  // namespace selvage::worker
