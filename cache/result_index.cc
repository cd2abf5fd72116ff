#include "cache/result_index.h"

#include <algorithm>

#include "cache/format.h"
#include "cache/manifest.h"

namespace selvage {

std::vector<Digest> StoredTilesOf(const ResultRecord& record) {
  return record.stored() ? StoredDigests(record.manifest) : std::vector<Digest>();
}

std::vector<Maker> MakersOf(const ResultRecord& record) {
  std::vector<Maker> makers = record.others;
  auto own = std::find_if(makers.begin(), makers.end(), [&](const Maker& m) { return m.worker() == record.worker; });
  if (own == makers.end()) {
    own = makers.insert(makers.end(), Maker());
    own->set_worker(record.worker);
  }
  own->set_made_unix_ms(std::max(own->made_unix_ms(), record.made_unix_ms));
  return makers;
}

std::string DamagedName(const ResultKey& key) { return format::kDamagedPrefix + key.digest.str(); }

void IndexBatch::ForgetDamaged(const ResultKey& key) {
  forget.push_back(key);
  values.emplace_back(DamagedName(key), "1");
}

double WorthOf(const ResultRecord& record) {
  // Not a number counts as nothing.
  const double seconds = record.seconds > 0 ? std::min(record.seconds, 1e9) : 0;
  return seconds / static_cast<double>(record.bytes + kResultOverheadBytes);
}

}  // namespace selvage
