// The quick way into the usual OpenEXR plate: scan lines of halves, packed by ZIP, ZIPS or
// not at all.
#pragma once

#include <functional>
#include <string>
#include <string_view>
#include <vector>

namespace selvage::worker {

// Calls use(y, rows) for each scan line of a part, counted from the top of its data window:
// rows[i] are the samples of channels[i] as the file has them, the width of the data window.
// False if the file is of another sort, or if anything is wrong with it; lines may have been
// given by then. The general reader then reads it from the beginning, or says what is wrong.
// May throw what OpenEXR throws.
using UseHalfRows = std::function<void(int y, const std::vector<const uint16_t*>& rows)>;
bool ReadExrHalves(std::string_view bytes, int part, const std::vector<std::string>& channels, const UseHalfRows& use);

}  // namespace selvage::worker
