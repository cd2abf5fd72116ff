#include "worker/files/image_library.h"

#include <OpenImageIO/imageio.h>

#include <mutex>

namespace selvage::worker {

void ConfigureImageLibrary() {
  static std::once_flag once;
  std::call_once(once, [] {
    OIIO::attribute("threads", 1);
    // -1: OpenEXR works in the calling thread, without a pool.
    OIIO::attribute("exr_threads", -1);
  });
}

}  // namespace selvage::worker
