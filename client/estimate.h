// How long rendering will take, and took, in words.
#pragma once

#include <string>

#include "proto/job.pb.h"

namespace selvage::client {

// "about 12.1 s on 4 slots", "not known: nothing like it was rendered here yet".
std::string InWords(const Estimate& estimate);

// "took 12.4 s, about 12.1 s were expected"; "" where nothing was expected or rendered.
std::string TookInWords(const JobProgress& progress);

}  // namespace selvage::client
