// The reduced stack of tests/bench/peers as somebody writes it who knows OpenCV: every frame from
// the plate to the file, nothing kept from one run to the next. Frames run side by side, which
// is faster here than OpenCV's own threads within one.
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include <CLI/CLI.hpp>
#include <atomic>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <mutex>
#include <stdexcept>
#include <string>
#include <thread>
#include <vector>

namespace {

struct Options {
  std::string plate, background, out;
  int first = 1001, last = 1024, threads = 0;
  std::vector<double> screen{0, 1, 0}, core{0, 1}, edges{0, 1}, gain{1, 1, 1};
  int choke = 0;
  double sigma = 0;
};

std::string PathOf(const std::string& pattern, int frame) {
  const size_t at = pattern.find("%04d");
  if (at == std::string::npos) return pattern;
  char number[16];
  std::snprintf(number, sizeof number, "%04d", frame);
  return pattern.substr(0, at) + number + pattern.substr(at + 4);
}

// Channels B, G, R, as OpenCV has them.
std::vector<cv::Mat> Read(const std::string& path) {
  const cv::Mat picture = cv::imread(path, cv::IMREAD_UNCHANGED);
  if (picture.empty() || picture.depth() != CV_32F || picture.channels() < 3) {
    throw std::runtime_error(path + " cannot be read as a picture of three channels");
  }
  std::vector<cv::Mat> channels;
  cv::split(picture, channels);
  channels.resize(3);
  return channels;
}

// 1 - (G - limit) / (the same of the screen), limited to 0..1.
cv::Mat Key(const cv::Mat& green, const cv::Mat& limit, double of_screen) {
  cv::Mat amount = (green - limit) * (1 / of_screen);
  cv::min(cv::max(amount, 0), 1, amount);
  return 1 - amount;
}

cv::Mat Levels(const cv::Mat& matte, double black, double white) {
  cv::Mat out = (matte - black) * (1 / (white - black));
  cv::min(cv::max(out, 0), 1, out);
  return out;
}

void Render(const Options& o, const std::vector<cv::Mat>& background, int frame) {
  const std::vector<cv::Mat> plate = Read(PathOf(o.plate, frame));
  const cv::Mat &blue = plate[0], &green = plate[1], &red = plate[2];
  cv::Mat larger, mean;
  cv::max(red, blue, larger);
  cv::addWeighted(red, 0.5, blue, 0.5, 0, mean);

  cv::Mat core = Levels(Key(green, larger, o.screen[1] - std::max(o.screen[0], o.screen[2])), o.core[0], o.core[1]);
  const int side = 2 * o.choke + 1;
  cv::erode(core, core, cv::getStructuringElement(cv::MORPH_RECT, {side, side}));
  cv::Mat matte = Levels(Key(green, mean, o.screen[1] - (o.screen[0] + o.screen[2]) / 2), o.edges[0], o.edges[1]);
  const int width = 2 * static_cast<int>(std::ceil(4 * o.sigma)) + 1;
  cv::GaussianBlur(matte, matte, {width, width}, o.sigma, o.sigma, cv::BORDER_REPLICATE);
  cv::max(matte, core, matte);

  cv::Mat despilled;
  cv::min(green, mean, despilled);
  const cv::Mat behind = 1 - matte;
  const cv::Mat* const front[3] = {&blue, &despilled, &red};
  std::vector<cv::Mat> out(4);
  for (int c = 0; c < 3; ++c) {
    out[c] = front[c]->mul(matte) + background[c].mul(behind);
    out[c] *= o.gain[2 - c];
  }
  // Over an opaque background.
  out[3] = cv::Mat::ones(matte.size(), CV_32F);
  cv::Mat picture;
  cv::merge(out, picture);
  const std::string path = PathOf(o.out, frame);
  const std::vector<int> as = {cv::IMWRITE_EXR_TYPE, cv::IMWRITE_EXR_TYPE_HALF, cv::IMWRITE_EXR_COMPRESSION,
                               cv::IMWRITE_EXR_COMPRESSION_ZIP};
  if (!cv::imwrite(path, picture, as)) throw std::runtime_error(path + " cannot be written");
}

// The weights of a blur, one row and one column, for tools that convolve.
void WriteKernels(double sigma, const std::string& folder) {
  const int width = 2 * static_cast<int>(std::ceil(4 * sigma)) + 1;
  cv::Mat column;
  cv::getGaussianKernel(width, sigma, CV_32F).copyTo(column);
  const std::vector<int> as = {cv::IMWRITE_EXR_TYPE, cv::IMWRITE_EXR_TYPE_FLOAT};
  if (!cv::imwrite(folder + "/column.exr", column, as) || !cv::imwrite(folder + "/row.exr", column.t(), as)) {
    throw std::runtime_error("the kernels cannot be written into " + folder);
  }
}

}  // namespace

int main(int argc, char** argv) {
  CLI::App app{"The reduced stack of tests/bench/peers with OpenCV, without a cache."};
  Options o;
  std::string kernels;
  app.add_option("--kernels", kernels,
                 "Only write the weights of the blur into this folder, as row.exr and column.exr");
  app.add_option("--plate", o.plate, "Path with %04d");
  app.add_option("--background", o.background, "Path; one picture for all frames");
  app.add_option("--out", o.out, "Path with %04d");
  app.add_option("--first", o.first, "First frame");
  app.add_option("--last", o.last, "Last frame");
  app.add_option("--threads", o.threads, "Frames side by side; 0: as many as cores");
  app.add_option("--screen", o.screen, "Colour of the screen")->expected(3)->delimiter(',');
  app.add_option("--core", o.core, "Black and white of the core's levels")->expected(2)->delimiter(',');
  app.add_option("--edges", o.edges, "The same of the edges")->expected(2)->delimiter(',');
  app.add_option("--choke", o.choke, "Pixels that the core moves inward");
  app.add_option("--sigma", o.sigma, "Of the edges' blur");
  app.add_option("--gain", o.gain, "Of the grade")->expected(3)->delimiter(',');
  CLI11_PARSE(app, argc, argv);
  // OpenCV asks for this before it touches EXR.
  ::setenv("OPENCV_IO_ENABLE_OPENEXR", "1", 1);
  cv::setNumThreads(1);
  try {
    if (!kernels.empty()) {
      WriteKernels(o.sigma, kernels);
      return 0;
    }
    const std::vector<cv::Mat> background = Read(o.background);
    std::atomic<int> next{o.first};
    std::mutex mutex;
    std::string trouble;
    std::vector<std::thread> threads;
    const unsigned count = o.threads > 0 ? static_cast<unsigned>(o.threads) : std::thread::hardware_concurrency();
    for (unsigned i = 0; i < count; ++i) {
      threads.emplace_back([&] {
        for (int frame = next++; frame <= o.last; frame = next++) {
          try {
            Render(o, background, frame);
          } catch (const std::exception& e) {
            const std::lock_guard<std::mutex> lock(mutex);
            trouble = e.what();
          }
        }
      });
    }
    for (std::thread& t : threads) t.join();
    if (!trouble.empty()) throw std::runtime_error(trouble);
  } catch (const std::exception& e) {
    std::fprintf(stderr, "%s\n", e.what());
    return 1;
  }
  return 0;
}
