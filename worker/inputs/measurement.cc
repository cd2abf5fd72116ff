#include "worker/inputs/measurement.h"

#include "google/protobuf/io/coded_stream.h"
#include "google/protobuf/io/zero_copy_stream_impl_lite.h"

namespace selvage::worker {

std::string Serialise(const Measurement& measurement) {
  std::string bytes;
  {
    google::protobuf::io::StringOutputStream stream(&bytes);
    google::protobuf::io::CodedOutputStream coded(&stream);
    coded.SetSerializationDeterministic(true);
    measurement.SerializeToCodedStream(&coded);
  }
  return bytes;
}

}  // namespace selvage::worker
