// HTTP on loopback for one page of one user: who may ask, how much, and for how long. What
// is asked is answered elsewhere. One thread, that of the io_context.
#pragma once

#include <boost/asio/io_context.hpp>
#include <functional>
#include <map>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "absl/status/statusor.h"

namespace selvage::client {

struct HttpRequest {
  // "GET" (also for HEAD) or "POST".
  std::string method;
  // Decoded, as "/api/look".
  std::string path;
  std::vector<std::pair<std::string, std::string>> query;
  std::string body;
  std::string if_none_match;

  // "" where there is none; the first of several.
  std::string Parameter(const std::string& name) const;
  std::vector<std::string> Parameters(const std::string& name) const;
};

struct HttpAnswer {
  int status = 200;
  std::string type = "application/json";
  std::string body;
  // Without quotes; "" for none. A request that has it already gets 304.
  std::string etag;
  std::vector<std::pair<std::string, std::string>> headers;
};

// {"error": [{"message": ...}]}
HttpAnswer ErrorAnswer(int status, const std::string& message);

// A request that waits for its answer. Methods are for the server's thread.
class HttpExchange {
 public:
  virtual ~HttpExchange() = default;
  virtual const HttpRequest& request() const = 0;
  // Once; later ones, and those to a client that has gone, do nothing.
  virtual void Answer(HttpAnswer answer) = 0;
  // Called once if the client goes away before it is answered.
  virtual void WhenGone(std::function<void()> then) = 0;
};

using Exchange = std::shared_ptr<HttpExchange>;

// A client of server-sent events.
class EventStream {
 public:
  virtual ~EventStream() = default;
  // `key`: the newest event of a key takes the place of one that could not be sent yet.
  virtual void Send(const std::string& key, const std::string& event, const std::string& data) = 0;
  virtual const HttpRequest& request() const = 0;
};

struct HttpLimits {
  size_t connections = 400;
  size_t streams = 256;
  size_t body_bytes = 32u << 20;
  size_t header_bytes = 16u << 10;
  // For a request to arrive, and for an answer to be taken.
  int seconds = 20;
  int idle_seconds = 75;
};

class HttpServer {
 public:
  using Handler = std::function<void(std::shared_ptr<HttpExchange>)>;
  // A stream has begun, or has ended.
  using Streams = std::function<void(std::shared_ptr<EventStream>, bool begun)>;

  HttpServer(boost::asio::io_context* context, HttpLimits limits, Handler handler, Streams streams);
  ~HttpServer();

  // Listens on 127.0.0.1; 0: any port. Errors: UNAVAILABLE.
  absl::Status Listen(int port);
  int port() const;
  // Open now. For the server's thread.
  size_t connections() const;
  // The address with the key, for the one who may come in.
  std::string Address() const;
  // No more connections, and all that there are end.
  void Close();

 private:
  struct Impl;
  std::shared_ptr<Impl> impl_;
};

// "a%20b+c" -> "a b c". Errors: INVALID_ARGUMENT a % without two digits, or a NUL.
absl::StatusOr<std::string> DecodeUrl(const std::string& text, bool plus_is_space);

}  // namespace selvage::client
