// The papers of a delivery, as somebody may have edited them.
#include "client/json.h"
#include "client/papers/papers.h"
#include "tests/fuzz/target.h"

using namespace selvage;

FUZZ_TARGET(papers) {
  const auto papers = client::ParsePapers("f", std::string(text));
  if (!papers.ok()) {
    MUST(papers.status().code() == absl::StatusCode::kInvalidArgument);
    MUST(papers.status().message().substr(0, 2) == "f:");
    return;
  }
  for (const auto& file : papers->file()) {
    MUST(!file.path().empty() && file.path()[0] != '/' && ("/" + file.path() + "/").find("/../") == std::string::npos);
    for (const uint32_t source : file.source()) MUST(source < static_cast<uint32_t>(papers->source_size()));
  }
  const auto again = client::ParsePapers("f", client::Json(*papers));
  MUST(again.ok() && again->SerializeAsString() == papers->SerializeAsString());
}
