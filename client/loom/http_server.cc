#include "client/loom/http_server.h"

#include <sys/socket.h>

#include <algorithm>
#include <array>
#include <boost/asio/buffer.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/write.hpp>
#include <boost/beast/core.hpp>
#include <boost/beast/http.hpp>
#include <chrono>
#include <deque>
#include <optional>
#include <random>
#include <set>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_split.h"
#include "client/loom/json_writer.h"

namespace selvage::client {

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = boost::beast::http;
using tcp = asio::ip::tcp;
using std::chrono::seconds;

namespace {

constexpr auto kBetweenPings = seconds(15), kLinger = seconds(5);
constexpr char kPolicy[] =
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; "
    "font-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

std::string RandomKey() {
  std::random_device device;
  std::string key;
  for (int i = 0; i < 6; ++i) key += absl::StrFormat("%08x", device());
  return key;
}

// Takes as long for a wrong one as for the right one.
bool SameKey(const std::string& a, const std::string& b) {
  unsigned different = a.size() == b.size() ? 0 : 1;
  for (size_t i = 0; i < std::min(a.size(), b.size()); ++i) different |= static_cast<unsigned>(a[i] ^ b[i]);
  return different == 0;
}

std::string CookieOf(absl::string_view header, const std::string& name) {
  for (absl::string_view piece : absl::StrSplit(header, ';')) {
    piece = absl::StripAsciiWhitespace(piece);
    if (absl::StartsWith(piece, name + "=")) return std::string(piece.substr(name.size() + 1));
  }
  return "";
}

absl::string_view View(boost::beast::string_view text) { return {text.data(), text.size()}; }

}  // namespace

std::string HttpRequest::Parameter(const std::string& name) const {
  for (const auto& [key, value] : query) {
    if (key == name) return value;
  }
  return "";
}

std::vector<std::string> HttpRequest::Parameters(const std::string& name) const {
  std::vector<std::string> values;
  for (const auto& [key, value] : query) {
    if (key == name) values.push_back(value);
  }
  return values;
}

HttpAnswer ErrorAnswer(int status, const std::string& message) {
  HttpAnswer answer;
  answer.status = status;
  answer.body = JsonWriter()
                    .Object()
                    .Key("error")
                    .Array()
                    .Object()
                    .Text("message", message)
                    .EndObject()
                    .EndArray()
                    .EndObject()
                    .Take();
  return answer;
}

absl::StatusOr<std::string> DecodeUrl(const std::string& text, bool plus_is_space) {
  std::string out;
  for (size_t i = 0; i < text.size(); ++i) {
    if (text[i] == '+' && plus_is_space) {
      out += ' ';
    } else if (text[i] == '%') {
      const auto digit = [&](size_t at) {
        const char c = at < text.size() ? absl::ascii_tolower(static_cast<unsigned char>(text[at])) : 'x';
        return absl::ascii_isdigit(static_cast<unsigned char>(c)) ? c - '0' : c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
      };
      const int high = digit(i + 1), low = digit(i + 2);
      if (high < 0 || low < 0) return absl::InvalidArgumentError("a % in the address is not followed by two digits");
      if (high + low == 0) return absl::InvalidArgumentError("the address holds a NUL");
      out += static_cast<char>(high * 16 + low);
      i += 2;
    } else {
      out += text[i];
    }
  }
  return out;
}

struct HttpServer::Impl : std::enable_shared_from_this<HttpServer::Impl> {
  Impl(asio::io_context* c, HttpLimits l, Handler h, Streams s)
      : limits(l), handler(std::move(h)), streams(std::move(s)), acceptor(*c), key(RandomKey()) {}
  void Accept();

  const HttpLimits limits;
  const Handler handler;
  const Streams streams;
  tcp::acceptor acceptor;
  const std::string key;
  int port = 0;
  bool closed = false;
  size_t open_streams = 0;
  // Sockets of all connections, to end them.
  std::set<tcp::socket*> sockets;
};

namespace {}  // namespace

// Requests of one connection, one after another.
template <class Server>
class Session final : public HttpExchange, public EventStream, public std::enable_shared_from_this<Session<Server>> {
 public:
  Session(tcp::socket socket, std::shared_ptr<Server> server)
      : stream_(std::move(socket)), server_(std::move(server)), ping_(stream_.get_executor()) {
    server_->sockets.insert(&stream_.socket());
  }
  ~Session() override { server_->sockets.erase(&stream_.socket()); }

  void Read() {
    parser_.emplace();
    parser_->header_limit(static_cast<uint32_t>(server_->limits.header_bytes));
    parser_->body_limit(server_->limits.body_bytes);
    stream_.expires_after(seconds(first_ ? server_->limits.seconds : server_->limits.idle_seconds));
    first_ = false;
    answered_ = false;
    http::async_read_header(stream_, buffer_, *parser_, [self = Self()](beast::error_code error, size_t) {
      if (error == http::error::header_limit || error == http::error::buffer_overflow) {
        return self->Refuse(431, "the header of the request is too large");
      }
      // What is too large is refused by its announced size, but only to those who may ask at all.
      self->too_large_ = error == http::error::body_limit;
      if (!error || self->too_large_) return self->ReadBody();
      if (error.category() == http::make_error_code(http::error::bad_version).category() &&
          error != http::error::end_of_stream) {
        self->Refuse(400, "this is no HTTP request");
      }
    });
  }

  // ---- HttpExchange, EventStream ----

  const HttpRequest& request() const override { return request_; }

  void Answer(HttpAnswer answer) override {
    if (answered_ || gone_) return;
    Write(std::move(answer), parser_->get().keep_alive());
  }

  void WhenGone(std::function<void()> then) override {
    if (gone_) return then();
    when_gone_ = std::move(then);
  }

  void Send(const std::string& key, const std::string& event, const std::string& data) override {
    if (gone_) return;
    // A line of data cannot hold a line break.
    std::string text = absl::StrCat("event: ", event, "\ndata: ");
    std::copy_if(data.begin(), data.end(), std::back_inserter(text), [](char c) { return c != '\n' && c != '\r'; });
    text += "\n\n";
    for (auto& [known, waiting] : waiting_) {
      if (known != key) continue;
      waiting = std::move(text);
      return;
    }
    waiting_.push_back({key, std::move(text)});
    SendNext();
  }

 private:
  std::shared_ptr<Session> Self() { return this->shared_from_this(); }

  // Before anything of the body is read.
  void ReadBody() {
    if (const auto refusal = Judge()) return Refuse(refusal->first, refusal->second);
    if (too_large_) return RefuseBody();
    const auto& message = parser_->get();
    if (message.method() != http::verb::post) {
      if (parser_->is_done()) return Handle();
      return Refuse(413, "this request takes no body");
    }
    if (beast::iequals(message[http::field::expect], "100-continue")) {
      return Refuse(417, "send the body without waiting for 100-continue");
    }
    stream_.expires_after(seconds(server_->limits.seconds));
    http::async_read(stream_, buffer_, *parser_, [self = Self()](beast::error_code error, size_t) {
      if (error == http::error::body_limit) return self->RefuseBody();
      if (!error) self->Handle();
    });
  }

  void RefuseBody() {
    Refuse(413, absl::StrCat("the request is larger than ", server_->limits.body_bytes >> 10, " KiB"));
  }

  // Who asks; nullopt: one who may.
  std::optional<std::pair<int, std::string>> Judge() {
    using Refusal = std::pair<int, std::string>;
    const auto& message = parser_->get();
    const std::string host(View(message[http::field::host]));
    const std::string port = absl::StrCat(server_->port);
    if (host != "127.0.0.1:" + port && host != "localhost:" + port) {
      return Refusal(403, "this address belongs to another host");
    }
    const bool reads = message.method() == http::verb::get || message.method() == http::verb::head;
    if (!reads && message.method() != http::verb::post) return Refusal(405, "only GET and POST");
    const std::string target(View(message.target()));
    const size_t question = target.find('?');
    auto path = DecodeUrl(target.substr(0, question), false);
    if (!path.ok()) return Refusal(400, std::string(path.status().message()));
    request_ = HttpRequest();
    request_.method = reads ? "GET" : "POST";
    request_.path = *std::move(path);
    request_.if_none_match = std::string(View(message[http::field::if_none_match]));
    if (request_.path.empty() || request_.path[0] != '/' || absl::StrContains(request_.path, "..") ||
        request_.path.find('\\') != std::string::npos) {
      return Refusal(400, "this is no path of the loom");
    }
    if (question != std::string::npos) {
      for (const std::string& piece : std::vector<std::string>(absl::StrSplit(target.substr(question + 1), '&'))) {
        if (piece.empty()) continue;
        const size_t equals = piece.find('=');
        const auto name = DecodeUrl(piece.substr(0, equals), true);
        const auto value = DecodeUrl(equals == std::string::npos ? "" : piece.substr(equals + 1), true);
        if (!name.ok() || !value.ok()) return Refusal(400, "the address holds a % without two digits behind it");
        request_.query.push_back({*name, *value});
      }
    }
    // The key comes in an address that was typed or opened by us; all else brings the cookie.
    if (reads && request_.path == "/" && SameKey(request_.Parameter("key"), server_->key)) return std::nullopt;
    const std::string cookie = CookieOf(View(message[http::field::cookie]), absl::StrCat("loom_", port));
    if (!SameKey(cookie, server_->key)) {
      return Refusal(403, "open the address that `selvage loom` has printed: it holds the key to this page");
    }
    const std::string site(View(message["Sec-Fetch-Site"]));
    if (!site.empty() && site != "same-origin" && site != "none") return Refusal(403, "another site asks for this");
    const std::string origin(View(message[http::field::origin]));
    if (!origin.empty() || !reads) {
      if (origin != "http://" + host) return Refusal(403, "another site asks for this");
    }
    if (!reads && !absl::StartsWith(View(message[http::field::content_type]), "application/json")) {
      return Refusal(403, "a request is JSON: Content-Type: application/json");
    }
    return std::nullopt;
  }

  void Handle() {
    request_.body = std::move(parser_->get().body());
    if (request_.method == "GET" && request_.path == "/" && !request_.Parameter("key").empty()) return LetIn();
    if (request_.path == "/api/events" && request_.method == "GET") return BeginStream();
    stream_.expires_never();
    WatchForEnd();
    server_->handler(Self());
  }

  void LetIn() {
    HttpAnswer answer;
    // Browsers do not send a cookie that has just been set along a redirect that began
    // elsewhere: then it takes a page of ours to go on from.
    const std::string site(View(parser_->get()["Sec-Fetch-Site"]));
    const bool elsewhere = site == "cross-site" || site == "same-site";
    answer.status = elsewhere ? 200 : 303;
    answer.type = "text/html; charset=utf-8";
    answer.body =
        "<!doctype html><meta http-equiv=\"refresh\" content=\"0; url=/\"><title>The loom</title>"
        "<a href=\"/\">The loom</a>\n";
    if (!elsewhere) answer.headers.push_back({"Location", "/"});
    answer.headers.push_back(
        {"Set-Cookie", absl::StrCat("loom_", server_->port, "=", server_->key, "; Path=/; HttpOnly; SameSite=Strict")});
    Write(std::move(answer), parser_->get().keep_alive());
  }

  // Sees that the client goes away while it waits. What it sends meanwhile stays unread.
  void WatchForEnd() {
    stream_.socket().async_wait(tcp::socket::wait_read, [self = Self()](beast::error_code error) {
      if (error || self->answered_) return;
      char c;
      const ssize_t n = ::recv(self->stream_.socket().native_handle(), &c, 1, MSG_PEEK | MSG_DONTWAIT);
      if (n == 0 || (n < 0 && errno != EAGAIN && errno != EWOULDBLOCK)) self->Gone();
    });
  }

  void Gone() {
    if (gone_) return;
    gone_ = true;
    ping_.cancel();
    beast::error_code ignored;
    stream_.socket().close(ignored);
    if (is_stream_) {
      --server_->open_streams;
      server_->streams(Self(), false);
    }
    if (when_gone_) std::exchange(when_gone_, nullptr)();
  }

  void Refuse(int status, const std::string& why) { Write(ErrorAnswer(status, why), false); }

  void Write(HttpAnswer answer, bool keep_alive) {
    answered_ = true;
    when_gone_ = nullptr;
    beast::error_code ignored;
    stream_.socket().cancel(ignored);
    const bool same = !answer.etag.empty() && request_.if_none_match == absl::StrCat("\"", answer.etag, "\"");
    const unsigned status = same && answer.status == 200 ? 304 : static_cast<unsigned>(answer.status);
    auto response = std::make_shared<http::response<http::string_body>>();
    response->version(11);
    response->result(status);
    if (!answer.type.empty()) response->set(http::field::content_type, answer.type);
    if (!answer.etag.empty()) response->set(http::field::etag, absl::StrCat("\"", answer.etag, "\""));
    SetSafety(response.get());
    for (const auto& [name, value] : answer.headers) response->set(name, value);
    response->keep_alive(keep_alive && !server_->closed);
    const bool no_body = status == 304 || status == 204;
    const bool head = parser_->is_header_done() && parser_->get().method() == http::verb::head;
    if (!no_body) response->content_length(answer.body.size());
    if (!no_body && !head) response->body() = std::move(answer.body);
    stream_.expires_after(seconds(server_->limits.seconds));
    http::async_write(stream_, *response, [self = Self(), response](beast::error_code error, size_t) {
      if (error) return;
      if (response->keep_alive()) return self->Read();
      self->stream_.socket().shutdown(tcp::socket::shutdown_send, error);
      // A client that is still sending must be let finish, or it never reads why it was refused.
      self->stream_.expires_after(kLinger);
      self->Drain(self->server_->limits.body_bytes);
    });
  }

  void Drain(size_t most) {
    stream_.async_read_some(asio::buffer(scrap_), [self = Self(), most](beast::error_code error, size_t size) {
      if (!error && size < most) self->Drain(most - size);
    });
  }

  template <class Response>
  static void SetSafety(Response* response) {
    response->set(http::field::cache_control, "no-cache");
    response->set("Content-Security-Policy", kPolicy);
    response->set("X-Content-Type-Options", "nosniff");
    response->set("Referrer-Policy", "no-referrer");
    response->set("Cross-Origin-Resource-Policy", "same-origin");
    response->set("Cross-Origin-Opener-Policy", "same-origin");
    response->set("X-Frame-Options", "DENY");
  }

  // ---- events ----

  void BeginStream() {
    if (server_->open_streams >= server_->limits.streams) {
      return Write(ErrorAnswer(429, "too many pages are open on this loom: close some"), false);
    }
    ++server_->open_streams;
    is_stream_ = true;
    http::response<http::empty_body> response;
    response.version(11);
    response.result(200);
    response.set(http::field::content_type, "text/event-stream");
    response.keep_alive(false);
    SetSafety(&response);
    sending_ = true;
    auto head = std::make_shared<std::string>(absl::StrCat("HTTP/1.1 200 OK\r\n"));
    for (const auto& field : response) {
      absl::StrAppend(head.get(), View(field.name_string()), ": ", View(field.value()), "\r\n");
    }
    *head += "\r\n";
    WatchForEnd();
    WriteRaw(head);
    Ping();
    server_->streams(Self(), true);
  }

  void Ping() {
    ping_.expires_after(kBetweenPings);
    ping_.async_wait([self = Self()](beast::error_code error) {
      if (error || self->gone_) return;
      if (self->waiting_.empty() && !self->sending_) {
        self->sending_ = true;
        self->WriteRaw(std::make_shared<std::string>(":\n\n"));
      }
      self->Ping();
    });
  }

  void SendNext() {
    if (sending_ || gone_ || waiting_.empty()) return;
    sending_ = true;
    auto text = std::make_shared<std::string>(std::move(waiting_.front().second));
    waiting_.pop_front();
    WriteRaw(text);
  }

  void WriteRaw(const std::shared_ptr<std::string>& text) {
    stream_.expires_after(seconds(server_->limits.seconds));
    asio::async_write(stream_, asio::buffer(*text), [self = Self(), text](beast::error_code error, size_t) {
      if (error) return self->Gone();
      self->stream_.expires_never();
      self->sending_ = false;
      self->SendNext();
    });
  }

  beast::tcp_stream stream_;
  const std::shared_ptr<Server> server_;
  beast::flat_buffer buffer_{256u << 10};
  std::array<char, 16384> scrap_;
  std::optional<http::request_parser<http::string_body>> parser_;
  HttpRequest request_;
  bool first_ = true, answered_ = false, gone_ = false, too_large_ = false;
  std::function<void()> when_gone_;

  bool is_stream_ = false, sending_ = false;
  // By key, in the order in which they came.
  std::deque<std::pair<std::string, std::string>> waiting_;
  asio::steady_timer ping_;
};

void HttpServer::Impl::Accept() {
  acceptor.async_accept([self = shared_from_this()](beast::error_code error, tcp::socket socket) {
    if (error == asio::error::operation_aborted || self->closed) return;
    // One too many is closed at once.
    if (!error && self->sockets.size() < self->limits.connections) {
      beast::error_code ignored;
      socket.set_option(tcp::no_delay(true), ignored);
      std::make_shared<Session<Impl>>(std::move(socket), self)->Read();
    }
    self->Accept();
  });
}

HttpServer::HttpServer(asio::io_context* context, HttpLimits limits, Handler handler, Streams streams)
    : impl_(std::make_shared<Impl>(context, limits, std::move(handler), std::move(streams))) {}

HttpServer::~HttpServer() { Close(); }

absl::Status HttpServer::Listen(int port) {
  beast::error_code error;
  const tcp::endpoint endpoint(asio::ip::address_v4::loopback(), static_cast<uint16_t>(port));
  impl_->acceptor.open(endpoint.protocol(), error);
  if (!error) impl_->acceptor.set_option(asio::socket_base::reuse_address(true), error);
  if (!error) impl_->acceptor.bind(endpoint, error);
  if (!error) impl_->acceptor.listen(asio::socket_base::max_listen_connections, error);
  if (error) {
    return absl::UnavailableError(
        absl::StrCat("cannot serve on 127.0.0.1:", port, ": ", error.message(), "; choose another with --port"));
  }
  impl_->port = impl_->acceptor.local_endpoint(error).port();
  impl_->Accept();
  return absl::OkStatus();
}

int HttpServer::port() const { return impl_->port; }

size_t HttpServer::connections() const { return impl_->sockets.size(); }

std::string HttpServer::Address() const { return absl::StrCat("http://127.0.0.1:", impl_->port, "/?key=", impl_->key); }

void HttpServer::Close() {
  if (impl_->closed) return;
  impl_->closed = true;
  beast::error_code ignored;
  impl_->acceptor.close(ignored);
  for (tcp::socket* socket : impl_->sockets) socket->close(ignored);
}

}  // namespace selvage::client
