#include "worker/kernels/pixels/transfer.h"

#include <algorithm>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/pixels/transfer.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"
#include "worker/kernels/pixels/math.h"

// Plain loops, compiled once for each target: the compiler's own vectors are as
// good as hand-written ones here.
HWY_BEFORE_NAMESPACE();
namespace selvage::worker::HWY_NAMESPACE {

// The formula is evaluated in binary64 and rounded once.
template <class F>
HWY_INLINE void Map(const float* in, float* out, size_t count, F f) {
  for (size_t i = 0; i < count; ++i) out[i] = static_cast<float>(f(static_cast<double>(in[i])));
}

constexpr double kDensityBlack = 0.010797751623277097;  // 10^((95 - 685) / 300)
constexpr double kDensityZero = 0.0052079483285954635;  // 10^(-685 / 300)
constexpr double kLog2Of10 = 3.321928094887362348;
constexpr double kCctA = 10.5402377416545;
constexpr double kCctB = 0.0729055341958355;

struct DecodeSrgb {
  double operator()(double v) const {
    const double curve = Pow((v + 0.055) / 1.055, 2.4);
    return v <= 0.04045 ? v / 12.92 : curve;
  }
};
struct EncodeSrgb {
  double operator()(double l) const {
    const double curve = 1.055 * Pow(l, 1.0 / 2.4) - 0.055;
    return l <= 0.0031308 ? l * 12.92 : curve;
  }
};
struct DecodeBt709 {
  double operator()(double v) const {
    const double curve = Pow((v + 0.099) / 1.099, 1.0 / 0.45);
    return v < 0.081 ? v / 4.5 : curve;
  }
};
struct EncodeBt709 {
  double operator()(double l) const {
    const double curve = 1.099 * Pow(l, 0.45) - 0.099;
    return l < 0.018 ? l * 4.5 : curve;
  }
};
struct DecodeDensity {
  double operator()(double v) const {
    return (Exp2((v * 1023.0 - 685.0) * (kLog2Of10 / 300.0)) - kDensityBlack) / (1.0 - kDensityBlack);
  }
};
struct EncodeDensity {
  double operator()(double l) const {
    double x = l * (1.0 - kDensityBlack) + kDensityBlack;
    x = x < kDensityZero ? kDensityZero : x;
    return (685.0 + Log2(x) * (300.0 / kLog2Of10)) / 1023.0;
  }
};
struct DecodeAcescct {
  double operator()(double v) const {
    const double curve = Exp2(v * 17.52 - 9.72);
    const double limited = curve > 65504.0 ? 65504.0 : curve;
    return v <= 0.155251141552511 ? (v - kCctB) / kCctA : limited;
  }
};
struct EncodeAcescct {
  double operator()(double l) const {
    const double curve = (Log2(l) + 9.72) / 17.52;
    return l <= 0.0078125 ? kCctA * l + kCctB : curve;
  }
};

void Decode(int encoding, const float* in, float* out, size_t count) {
  switch (encoding) {
    case ENCODING_SRGB:
      return Map(in, out, count, DecodeSrgb());
    case ENCODING_BT709:
      return Map(in, out, count, DecodeBt709());
    case ENCODING_PRINTING_DENSITY:
      return Map(in, out, count, DecodeDensity());
    case ENCODING_ACESCCT:
      return Map(in, out, count, DecodeAcescct());
    default:
      std::copy_n(in, in == out ? 0 : count, out);
  }
}

void Encode(int encoding, const float* in, float* out, size_t count) {
  switch (encoding) {
    case ENCODING_SRGB:
      return Map(in, out, count, EncodeSrgb());
    case ENCODING_BT709:
      return Map(in, out, count, EncodeBt709());
    case ENCODING_PRINTING_DENSITY:
      return Map(in, out, count, EncodeDensity());
    case ENCODING_ACESCCT:
      return Map(in, out, count, EncodeAcescct());
    default:
      std::copy_n(in, in == out ? 0 : count, out);
  }
}

void Power(double exponent, const float* in, float* out, size_t count) {
  Map(in, out, count, [exponent](double x) {
    const double raised = Pow(x, exponent);
    return x > 0.0 ? raised : x;
  });
}

}  // namespace selvage::worker::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {

HWY_EXPORT(Decode);
HWY_EXPORT(Encode);
HWY_EXPORT(Power);

void DecodeRow(Encoding encoding, const float* in, float* out, size_t count) {
  HWY_DYNAMIC_DISPATCH(Decode)(encoding, in, out, count);
}
void EncodeRow(Encoding encoding, const float* in, float* out, size_t count) {
  HWY_DYNAMIC_DISPATCH(Encode)(encoding, in, out, count);
}
void PowerRow(double exponent, const float* in, float* out, size_t count) {
  HWY_DYNAMIC_DISPATCH(Power)(exponent, in, out, count);
}

}  // namespace selvage::worker
#endif  // HWY_ONCE
