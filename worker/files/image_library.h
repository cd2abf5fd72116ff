// Settings of OpenImageIO, made once a process before its first use.
#pragma once

namespace selvage::worker {

// One frame per core beats the library's own threads. Any thread, any number of times.
void ConfigureImageLibrary();

}  // namespace selvage::worker
