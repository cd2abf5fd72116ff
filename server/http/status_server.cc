#include "server/http/status_server.h"

#include <atomic>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/post.hpp>
#include <boost/beast/core.hpp>
#include <boost/beast/http.hpp>
#include <chrono>
#include <memory>
#include <optional>
#include <thread>
#include <utility>

#include "absl/strings/str_cat.h"

namespace selvage {

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = boost::beast::http;
using tcp = asio::ip::tcp;

namespace {
constexpr uint64_t kMaxRequestBytes = 16 << 10;
constexpr auto kIdle = std::chrono::seconds(10);
}  // namespace

struct StatusServer::Impl {
  explicit Impl(Metrics m) : metrics(std::move(m)), acceptor(context) {}
  void Accept();

  Metrics metrics;
  asio::io_context context{1};
  tcp::acceptor acceptor;
  std::atomic<bool> serving{true};
  std::thread thread;
};

namespace {

// One connection: requests one after another, 10 s of patience for each.
class Session : public std::enable_shared_from_this<Session> {
 public:
  Session(tcp::socket socket, StatusServer::Metrics* metrics, std::atomic<bool>* serving)
      : stream_(std::move(socket)), metrics_(metrics), serving_(serving) {}

  void Read() {
    parser_.emplace();
    parser_->body_limit(kMaxRequestBytes);
    stream_.expires_after(kIdle);
    http::async_read(stream_, buffer_, *parser_, [self = shared_from_this()](beast::error_code error, size_t) {
      if (!error) self->Answer();
    });
  }

 private:
  void Answer() {
    const auto& request = parser_->get();
    const std::string target(request.target());
    if (request.method() != http::verb::get && request.method() != http::verb::head) {
      return Reply(http::status::method_not_allowed, "only GET\n");
    }
    if (target == "/healthz") {
      return *serving_ ? Reply(http::status::ok, "ok\n") : Reply(http::status::service_unavailable, "going down\n");
    }
    if (target != "/metrics") return Reply(http::status::not_found, "there is /healthz and /metrics\n");
    (*metrics_)([self = shared_from_this()](std::string page) {
      asio::post(self->stream_.get_executor(), [self, page = std::move(page)] { self->Reply(http::status::ok, page); });
    });
  }

  void Reply(http::status status, const std::string& body) {
    const auto& request = parser_->get();
    auto response = std::make_shared<http::response<http::string_body>>(status, request.version());
    response->set(http::field::content_type, "text/plain; version=0.0.4; charset=utf-8");
    response->keep_alive(request.keep_alive());
    response->content_length(body.size());
    if (request.method() != http::verb::head) response->body() = body;
    stream_.expires_after(kIdle);
    http::async_write(stream_, *response, [self = shared_from_this(), response](beast::error_code error, size_t) {
      if (error) return;
      if (response->keep_alive()) return self->Read();
      self->stream_.socket().shutdown(tcp::socket::shutdown_send, error);
    });
  }

  beast::tcp_stream stream_;
  StatusServer::Metrics* const metrics_;
  std::atomic<bool>* const serving_;
  beast::flat_buffer buffer_{kMaxRequestBytes};
  std::optional<http::request_parser<http::string_body>> parser_;
};

}  // namespace

void StatusServer::Impl::Accept() {
  acceptor.async_accept([this](beast::error_code error, tcp::socket socket) {
    if (error == asio::error::operation_aborted) return;
    if (!error) std::make_shared<Session>(std::move(socket), &metrics, &serving)->Read();
    Accept();
  });
}

StatusServer::StatusServer(Metrics metrics) : impl_(std::make_unique<Impl>(std::move(metrics))) {}
StatusServer::~StatusServer() { Stop(); }

absl::StatusOr<int> StatusServer::Start(const Address& address) {
  beast::error_code error;
  const std::string host = address.host == "localhost" ? "127.0.0.1" : address.host;
  const tcp::endpoint endpoint(asio::ip::make_address(host, error), static_cast<uint16_t>(address.port));
  const auto done = [&] {
    return absl::UnavailableError(absl::StrCat("cannot serve HTTP on ", address.Text(), ": ", error.message()));
  };
  if (error) return done();
  impl_->acceptor.open(endpoint.protocol(), error);
  if (error) return done();
  impl_->acceptor.set_option(asio::socket_base::reuse_address(true), error);
  impl_->acceptor.bind(endpoint, error);
  if (error) return done();
  impl_->acceptor.listen(asio::socket_base::max_listen_connections, error);
  if (error) return done();
  const int port = impl_->acceptor.local_endpoint(error).port();
  impl_->Accept();
  impl_->thread = std::thread([this] { impl_->context.run(); });
  return port;
}

void StatusServer::StopServing() { impl_->serving = false; }

void StatusServer::Stop() {
  impl_->context.stop();
  if (impl_->thread.joinable()) impl_->thread.join();
}

}  // namespace selvage
