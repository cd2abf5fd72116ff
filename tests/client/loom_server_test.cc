// Who may ask the loom, and how much.
#include <arpa/inet.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/socket.h>
#include <unistd.h>

#include <atomic>
#include <boost/asio/post.hpp>
#include <thread>

#include "client/loom/http_server.h"

namespace selvage::client {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;
using ::testing::StartsWith;

// A client that says exactly what it is told to.
class Client {
 public:
  explicit Client(int port) {
    fd_ = ::socket(AF_INET, SOCK_STREAM, 0);
    sockaddr_in to{};
    to.sin_family = AF_INET;
    to.sin_port = htons(static_cast<uint16_t>(port));
    to.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    EXPECT_EQ(::connect(fd_, reinterpret_cast<sockaddr*>(&to), sizeof to), 0);
    const timeval patience{30, 0};
    ::setsockopt(fd_, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof patience);
  }
  ~Client() { Close(); }
  Client(const Client&) = delete;
  Client& operator=(const Client&) = delete;
  void Close() {
    if (fd_ >= 0) ::close(fd_);
    fd_ = -1;
  }
  void Send(const std::string& text) {
    for (size_t done = 0; done < text.size();) {
      const ssize_t n = ::send(fd_, text.data() + done, text.size() - done, MSG_NOSIGNAL);
      if (n <= 0) return;
      done += static_cast<size_t>(n);
    }
  }
  // Up to the end of the connection, or until `until` has come.
  std::string Read(const std::string& until = "") {
    char piece[4096];
    while (until.empty() || got_.find(until) == std::string::npos) {
      const ssize_t n = ::recv(fd_, piece, sizeof piece, 0);
      if (n <= 0) break;
      got_.append(piece, static_cast<size_t>(n));
    }
    return got_;
  }

 private:
  int fd_ = -1;
  std::string got_;
};

class LoomServer : public ::testing::Test {
 protected:
  void Start(HttpLimits limits = {}) {
    server_ = std::make_unique<HttpServer>(
        &context_, limits,
        [this](std::shared_ptr<HttpExchange> exchange) {
          ++handled_;
          const HttpRequest& request = exchange->request();
          if (request.path == "/api/wait") {
            exchange->WhenGone([this] { ++gone_; });
            waiting_ = exchange;
            return;
          }
          HttpAnswer answer;
          answer.body = request.method + " " + request.path + " " + request.Parameter("a") + " " + request.body;
          if (request.path == "/large") answer.body.assign(64u << 20, 'x');
          answer.etag = "tag";
          exchange->Answer(answer);
        },
        [this](std::shared_ptr<EventStream> stream, bool begun) {
          streams_ += begun ? 1 : -1;
          if (begun) stream->Send("hello", "hello", "{\"a\":\n1}");
          last_stream_ = begun ? stream : nullptr;
        });
    ASSERT_TRUE(server_->Listen(0).ok());
    const std::string address = server_->Address();
    key_ = address.substr(address.find('=') + 1);
    port_ = std::to_string(server_->port());
    thread_ = std::thread([this] {
      const auto work = boost::asio::make_work_guard(context_);
      context_.run();
    });
  }
  ~LoomServer() override {
    context_.stop();
    if (thread_.joinable()) thread_.join();
    waiting_.reset();
    last_stream_.reset();
    server_.reset();
  }

  std::string Host() const { return "Host: 127.0.0.1:" + port_ + "\r\n"; }
  std::string Cookie() const { return "Cookie: other=1; loom_" + port_ + "=" + key_ + "\r\n"; }
  std::string Origin() const { return "Origin: http://127.0.0.1:" + port_ + "\r\n"; }
  static std::string Body(const std::string& body) {
    return "Content-Type: application/json\r\nContent-Length: " + std::to_string(body.size()) + "\r\n\r\n" + body;
  }
  std::string Ask(const std::string& request) {
    Client client(server_->port());
    client.Send(request);
    return client.Read();
  }
  std::string Get(const std::string& path, const std::string& headers) {
    return Ask("GET " + path + " HTTP/1.1\r\nConnection: close\r\n" + headers + "\r\n");
  }
  void Await(const std::function<bool()>& done) {
    for (int i = 0; i < 3000 && !done(); ++i) std::this_thread::sleep_for(std::chrono::milliseconds(10));
    EXPECT_TRUE(done());
  }

  boost::asio::io_context context_{1};
  std::unique_ptr<HttpServer> server_;
  std::thread thread_;
  std::string key_, port_;
  std::atomic<int> handled_{0}, gone_{0}, streams_{0};
  std::shared_ptr<HttpExchange> waiting_;
  std::shared_ptr<EventStream> last_stream_;
};

TEST_F(LoomServer, TheKeyBecomesACookieAndTheCookieLetsIn) {
  Start();
  const std::string in = Get("/?key=" + key_, Host());
  EXPECT_THAT(in, StartsWith("HTTP/1.1 303"));
  EXPECT_THAT(in, HasSubstr("Location: /\r\n"));
  EXPECT_THAT(in, HasSubstr("loom_" + port_ + "=" + key_ + "; Path=/; HttpOnly; SameSite=Strict"));
  // From a page of another place a redirect would not bring the cookie along.
  const std::string page_of_ours = Get("/?key=" + key_, Host() + "Sec-Fetch-Site: cross-site\r\n");
  EXPECT_THAT(page_of_ours, StartsWith("HTTP/1.1 200"));
  EXPECT_THAT(page_of_ours, HasSubstr("url=/\""));
  EXPECT_THAT(Get("/?key=" + std::string(key_.size(), '0'), Host()), StartsWith("HTTP/1.1 403"));
  const std::string page = Get("/x?a=b%20c+d", Host() + Cookie());
  EXPECT_THAT(page, StartsWith("HTTP/1.1 200"));
  EXPECT_THAT(page, HasSubstr("GET /x b c d "));
  EXPECT_THAT(page, HasSubstr("Content-Security-Policy: default-src 'none'; script-src 'self'"));
  EXPECT_THAT(page, Not(HasSubstr("unsafe")));
  EXPECT_THAT(Get("/x", Host() + Cookie() + "If-None-Match: \"tag\"\r\n"), StartsWith("HTTP/1.1 304"));
  EXPECT_THAT(Get("/x", "Host: localhost:" + port_ + "\r\n" + Cookie()), StartsWith("HTTP/1.1 200"));
}

TEST_F(LoomServer, RefusesWhoeverComesFromElsewhere) {
  Start();
  EXPECT_THAT(Get("/x", Host()), StartsWith("HTTP/1.1 403"));
  EXPECT_THAT(Get("/x", Host() + "Cookie: loom_" + port_ + "=0\r\n"), StartsWith("HTTP/1.1 403"));
  // A name that was made to point here.
  EXPECT_THAT(Get("/x", "Host: evil.example:" + port_ + "\r\n" + Cookie()), StartsWith("HTTP/1.1 403"));
  EXPECT_THAT(Get("/?key=" + key_, "Host: evil.example\r\n"), StartsWith("HTTP/1.1 403"));
  EXPECT_THAT(Get("/x", Host() + Cookie() + "Sec-Fetch-Site: cross-site\r\n"), StartsWith("HTTP/1.1 403"));
  EXPECT_THAT(Get("/x", Host() + Cookie() + "Sec-Fetch-Site: same-site\r\n"), StartsWith("HTTP/1.1 403"));
  const std::string post = "POST /x HTTP/1.1\r\nConnection: close\r\n" + Host() + Cookie();
  EXPECT_THAT(Ask(post + "Origin: http://evil.example\r\n" + Body("{}")), StartsWith("HTTP/1.1 403"));
  EXPECT_THAT(Ask(post + "Origin: http://127.0.0.1:1\r\n" + Body("{}")), StartsWith("HTTP/1.1 403"));
  EXPECT_THAT(Ask(post + Body("{}")), StartsWith("HTTP/1.1 403"));
  // What a form of another page can send.
  EXPECT_THAT(Ask(post + Origin() + "Content-Type: text/plain\r\nContent-Length: 2\r\n\r\n{}"),
              StartsWith("HTTP/1.1 403"));
  EXPECT_THAT(Ask("DELETE /x HTTP/1.1\r\nConnection: close\r\n" + Host() + Cookie() + Origin() + "\r\n"),
              StartsWith("HTTP/1.1 405"));
  EXPECT_EQ(handled_, 0);
  EXPECT_THAT(Ask(post + Origin() + Body("{\"b\":1}")), HasSubstr("POST /x  {\"b\":1}"));
}

TEST_F(LoomServer, RefusesWaysOutOfThePage) {
  Start();
  for (const char* path :
       {"/../x", "/a/../../x", "/%2e%2e/x", "/a/..%2fx", "/a\\..\\x", "/%5cx", "/%00", "/%zz", "*"}) {
    EXPECT_THAT(Get(path, Host() + Cookie()), StartsWith("HTTP/1.1 400")) << path;
  }
  EXPECT_THAT(Ask("nonsense\r\n\r\n"), StartsWith("HTTP/1.1 400"));
  EXPECT_EQ(handled_, 0);
}

TEST_F(LoomServer, RefusesWhatIsTooLargeAndSaysSo) {
  HttpLimits limits;
  limits.body_bytes = 100'000;
  Start(limits);
  EXPECT_THAT(Get("/x", Host() + Cookie() + "X-Long: " + std::string(40'000, 'a') + "\r\n"),
              StartsWith("HTTP/1.1 431"));
  const std::string post = "POST /x HTTP/1.1\r\nConnection: close\r\n" + Host() + Cookie() + Origin();
  EXPECT_THAT(Ask(post + Body(std::string(99'000, ' '))), StartsWith("HTTP/1.1 200"));
  // Also to a client that first sends everything.
  EXPECT_THAT(Ask(post + Body(std::string(190'000, ' '))), StartsWith("HTTP/1.1 413"));
  EXPECT_THAT(Ask(post + "Content-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n30d40\r\n" +
                  std::string(200'000, ' ') + "\r\n0\r\n\r\n"),
              StartsWith("HTTP/1.1 413"));
  EXPECT_THAT(Get("/x", Host() + Cookie() + "Content-Length: 5\r\n"), StartsWith("HTTP/1.1 413"));
  EXPECT_EQ(handled_, 1);
}

TEST_F(LoomServer, ServesManyEventStreamsAndNoMoreThanThat) {
  HttpLimits limits;
  limits.streams = 200;
  Start(limits);
  const std::string request = "GET /api/events HTTP/1.1\r\n" + Host() + Cookie() + "\r\n";
  std::vector<std::unique_ptr<Client>> clients;
  for (int i = 0; i < 200; ++i) {
    clients.push_back(std::make_unique<Client>(server_->port()));
    clients.back()->Send(request);
  }
  for (auto& client : clients) EXPECT_THAT(client->Read("\n\n"), HasSubstr("event: hello\ndata: {\"a\":1}\n\n"));
  EXPECT_EQ(streams_, 200);
  EXPECT_THAT(Ask(request), StartsWith("HTTP/1.1 429"));
  // Others are still served.
  EXPECT_THAT(Get("/x", Host() + Cookie()), StartsWith("HTTP/1.1 200"));
  clients.clear();
  Await([this] { return streams_ == 0; });
}

TEST_F(LoomServer, DropsAClientThatNeverReads) {
  HttpLimits limits;
  limits.seconds = 1;
  Start(limits);
  Client stream(server_->port());
  stream.Send("GET /api/events HTTP/1.1\r\n" + Host() + Cookie() + "\r\n");
  Await([this] { return streams_ == 1; });
  // More than the system buffers; of each key only the newest waits.
  const std::string large(1u << 20, 'x');
  for (int i = 0; i < 40 && streams_ == 1; ++i) {
    boost::asio::post(context_, [this, large, i] {
      if (last_stream_) last_stream_->Send("key " + std::to_string(i % 20), "large", large);
    });
  }
  Await([this] { return streams_ == 0; });
  // Nor does one that asks for much and takes nothing hold a connection.
  Client picture(server_->port());
  picture.Send("GET /large HTTP/1.1\r\n" + Host() + Cookie() + "\r\n");
  Await([this] { return handled_ == 1; });
  std::atomic<size_t> open{1};
  Await([&] {
    boost::asio::post(context_, [&] { open = server_->connections(); });
    return open == 0;
  });
  EXPECT_LT(picture.Read().size(), 64u << 20);
}

TEST_F(LoomServer, SeesThatAClientHasGone) {
  Start();
  Client client(server_->port());
  client.Send("GET /api/wait HTTP/1.1\r\n" + Host() + Cookie() + "\r\n");
  Await([this] { return handled_ == 1; });
  client.Close();
  Await([this] { return gone_ == 1; });
}

TEST_F(LoomServer, AnswersOneRequestAfterTheOther) {
  Start();
  Client client(server_->port());
  for (int i = 0; i < 3; ++i) {
    client.Send("GET /n" + std::to_string(i) + " HTTP/1.1\r\n" + Host() + Cookie() + "\r\n");
    EXPECT_THAT(client.Read("GET /n" + std::to_string(i)), HasSubstr("200 OK"));
  }
  EXPECT_EQ(handled_, 3);
}

TEST(DecodeUrl, ReadsWhatBrowsersWrite) {
  EXPECT_EQ(*DecodeUrl("a%5B2%5D=%C3%A4+b", true), "a[2]=\xc3\xa4 b");
  EXPECT_EQ(*DecodeUrl("a+b", false), "a+b");
  EXPECT_FALSE(DecodeUrl("%0", true).ok());
  EXPECT_FALSE(DecodeUrl("%00", true).ok());
}

}  // namespace
}  // namespace selvage::client
