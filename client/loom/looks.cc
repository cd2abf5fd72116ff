#include "client/loom/looks.h"

#include <cctype>
#include <optional>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "client/loom/answers.h"
#include "client/loom/look_request.h"
#include "client/stopper.h"
#include "proto/digest.h"
#include "proto/ops/internal.pb.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

constexpr size_t kMostLookBytes = 512u << 20;
// Browsers refuse much longer headers.
constexpr size_t kLongestHeader = 8000;

// Of a header: what is not plain is written as % and two digits.
std::string PercentEncoded(const std::string& text) {
  static const char kDigits[] = "0123456789ABCDEF";
  std::string out;
  for (const char c : text) {
    const auto byte = static_cast<unsigned char>(c);
    if (std::isalnum(byte) || c == '-' || c == '_' || c == '.' || c == '~') {
      out += c;
    } else {
      out += '%';
      out += kDigits[byte >> 4];
      out += kDigits[byte & 15];
    }
  }
  return out;
}

// As many of the sentences as a header holds.
template <class Warnings>
std::string WarningsHeader(const Warnings& warnings) {
  std::string header;
  for (const JobWarning& w : warnings) {
    const std::string text =
        PercentEncoded(absl::StrCat(header.empty() ? "[" : ",", JsonWriter().Text(w.text()).text()));
    if (header.size() + text.size() > kLongestHeader) break;
    header += text;
  }
  return (header.empty() ? PercentEncoded("[") : header) + PercentEncoded("]");
}

uint32_t BigEndian(absl::string_view four) {
  uint32_t value = 0;
  for (const char c : four) value = value << 8 | static_cast<unsigned char>(c);
  return value;
}

// Source: PNG specification, IHDR.
HttpAnswer SizeAnswer(absl::string_view png) {
  constexpr size_t kWidth = 16, kHeight = 20;
  if (png.size() < kHeight + 4) return ErrorAnswer(500, "the daemon sent no picture");
  return JsonAnswer(JsonWriter()
                        .Object()
                        .Whole("width", BigEndian(png.substr(kWidth, 4)))
                        .Whole("height", BigEndian(png.substr(kHeight, 4)))
                        .EndObject()
                        .Take());
}

// "X Y WIDTH HEIGHT" of a look that is not all of the format and no more, as it says in a text of
// its header; "" of one that is. Source: PNG specification, chunks and tEXt.
std::string WindowOfPicture(absl::string_view png) {
  constexpr absl::string_view kKey("selvage.window\0", 15);
  constexpr size_t kSignature = 8, kAround = 12;
  for (size_t at = kSignature; at + kAround <= png.size();) {
    const size_t size = BigEndian(png.substr(at, 4));
    const absl::string_view type = png.substr(at + 4, 4);
    if (type == "IDAT" || size > png.size() - at - kAround) return "";
    const absl::string_view data = png.substr(at + 8, size);
    if (type == "tEXt" && absl::StartsWith(data, kKey)) {
      const absl::string_view text = data.substr(kKey.size());
      // What goes into a header is numbers and spaces.
      return text.find_first_not_of("-0123456789 ") == absl::string_view::npos ? std::string(text) : "";
    }
    at += size + kAround;
  }
  return "";
}

absl::Status ReceiveLook(Connection& connection, Stopper* stopper, const LookRequest& request, ReceivedFile* file) {
  StoppableCall call(stopper, connection.Stream());
  auto stream = connection.jobs().Look(call.get(), request);
  std::optional<Digest> digest;
  FileChunk chunk;
  while (stream->Read(&chunk)) {
    file->errors.MergeFrom(chunk.error());
    if (chunk.warning_size() > 0) file->warnings = chunk.warning();
    if (chunk.digest().size() == 32) digest = Digest::FromBytes(chunk.digest());
    if (chunk.offset() != file->bytes.size() || file->bytes.size() + chunk.data().size() > kMostLookBytes) {
      call.get()->TryCancel();
    }
    file->bytes += chunk.data();
  }
  const grpc::Status status = stream->Finish();
  if (!file->errors.empty()) return absl::OkStatus();
  RETURN_IF_ERROR(connection.Explain(status));
  if (digest && Sha256(file->bytes) == *digest) return absl::OkStatus();
  return absl::DataLossError("the picture that arrived is damaged; try again");
}

HttpAnswer ValuesAnswer(const std::string& bytes) {
  Measurement measurement;
  if (!measurement.ParseFromString(bytes)) return ErrorAnswer(500, "the daemon sent no values");
  JsonWriter out;
  out.Object().Key("values").Array();
  for (const float v : measurement.values()) out.Number(v);
  return JsonAnswer(out.EndArray().EndObject().Take());
}

}  // namespace

struct Looks::Call {
  Stopper stopper;
  Exchange exchange;
  LookRequest request;
  // Its size is the answer.
  bool of_format = false;
  std::string viewer;
  // 0: the stack as it stands.
  uint32_t version = 0;
};

void Looks::Look(const Exchange& exchange) {
  const HttpRequest& request = exchange->request();
  if (document_->good() == nullptr) {
    return exchange->Answer(ErrorAnswer(
        422, document_->state() == Document::kNone ? "this loom is open on no stack" : "the stack's text has faults"));
  }
  const std::string digest = request.Parameter("digest");
  if (!digest.empty() && digest != document_->digest()) {
    return exchange->Answer(ErrorAnswer(409, "the stack is another one by now"));
  }
  const auto version = VersionParameter(request, "version");
  if (!version.ok()) return exchange->Answer(ErrorAnswer(version.status()));
  if (!*version) return Begin(exchange, MakeLookRequest(*document_->good(), request), 0);
  versions_->WithStack(exchange, **version, [this, exchange, number = **version](std::shared_ptr<const Stack> stack) {
    Begin(exchange, MakeLookRequest(*stack, exchange->request()), number);
  });
}

void Looks::Format(const Exchange& exchange) {
  if (document_->good() == nullptr) return exchange->Answer(ErrorAnswer(422, "there is no stack to read"));
  Begin(exchange, MakeFormatRequest(document_->good()->stack()), 0);
}

void Looks::Begin(const Exchange& exchange, absl::StatusOr<LookRequest> request, uint32_t version) {
  if (!request.ok()) return exchange->Answer(ErrorAnswer(request.status()));
  auto call = std::make_shared<Call>();
  call->exchange = exchange;
  call->request = *std::move(request);
  call->version = version;
  call->of_format = exchange->request().path == "/api/format";
  call->viewer = exchange->request().Parameter("viewer");
  if (!call->viewer.empty()) {
    std::shared_ptr<Call>& newest = viewers_[call->viewer];
    if (newest != nullptr) {
      newest->stopper.Stop();
      newest->exchange->Answer(ErrorAnswer(409, "a newer look of this viewer has come"));
    }
    newest = call;
  }
  running_.insert(call);
  exchange->WhenGone([this, weak = std::weak_ptr<Call>(call)] {
    const auto gone = weak.lock();
    if (gone == nullptr) return;
    gone->stopper.Stop();
    Forget(gone);
  });
  if (!daemon_->looks().Run([this, call] { Receive(call); })) {
    Forget(call);
    Daemon::Busy(exchange);
  }
}

void Looks::Stop() {
  for (const auto& call : running_) call->stopper.Stop();
}

void Looks::Forget(const std::shared_ptr<Call>& call) {
  running_.erase(call);
  const auto found = viewers_.find(call->viewer);
  if (found != viewers_.end() && found->second == call) viewers_.erase(found);
}

// On a thread of the pool.
void Looks::Receive(const std::shared_ptr<Call>& call) {
  if (call->stopper.stopped()) return daemon_->Post([this, call] { Forget(call); });
  auto file = std::make_shared<ReceivedFile>();
  const absl::Status status = ReceiveLook(daemon_->connection(), &call->stopper, call->request, file.get());
  daemon_->Post([this, call, file, status] {
    Forget(call);
    Answer(*call, file.get(), status);
  });
}

void Looks::Answer(const Call& call, ReceivedFile* file, const absl::Status& status) {
  if (!absl::IsCancelled(status)) daemon_->NoteCall(status);
  if (!status.ok()) return call.exchange->Answer(ErrorAnswer(FromDaemon(status)));
  if (!file->errors.empty() && call.version > 0) {
    // Its places are not those of the present text.
    return call.exchange->Answer(
        ErrorAnswer(422, absl::StrCat("version ", call.version, ": ", file->errors[0].message())));
  }
  if (!file->errors.empty()) return call.exchange->Answer(FaultsAnswer(*document_, file->errors));
  if (call.request.has_sample()) return call.exchange->Answer(ValuesAnswer(file->bytes));
  if (call.of_format) return call.exchange->Answer(SizeAnswer(file->bytes));
  HttpAnswer answer;
  answer.type = "image/png";
  answer.etag = Sha256(file->bytes).Hex();
  const std::string window = WindowOfPicture(file->bytes);
  answer.body = std::move(file->bytes);
  if (!window.empty()) answer.headers.push_back({"X-Selvage-Window", window});
  if (!file->warnings.empty()) answer.headers.push_back({"X-Selvage-Warnings", WarningsHeader(file->warnings)});
  call.exchange->Answer(std::move(answer));
}

}  // namespace selvage::client
