#include "worker/kernels/unmix/mix_rows.h"

#include <cmath>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/unmix/mix_rows.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"

HWY_BEFORE_NAMESPACE();
namespace selvage::worker::HWY_NAMESPACE {

// Below it a variance is nothing; the picture is scaled so that the screen is near
// 0.5.
constexpr float kNothing = 1e-30f;
// A recovered colour lies within this many deviations above the foreground's mean, unless
// the picture itself is brighter: divided by a small alpha, noise has any brightness.
constexpr float kMostDeviations = 3;

// Rows do not overlap; where there are too many of them to be checked when it runs,
// ivdep says so to the compiler, which takes no notice of that many __restrict.

void Solid(const uint8_t* sure, const float* key, float solid, const uint8_t* fair, const int16_t* distance2,
           int16_t away2, size_t n, uint8_t* __restrict core) {
  for (size_t i = 0; i < n; ++i) {
    core[i] = (1 ^ sure[i]) & ((key[i] > solid) | (fair[i] & (distance2[i] > away2)));
  }
}

void AddKeys(const uint8_t* core, const int16_t* distance2, float away, const float* key, size_t n,
             float* const sums[3]) {
  float* __restrict w0 = sums[0], * __restrict w1 = sums[1], * __restrict w2 = sums[2];
#pragma GCC ivdep
  for (size_t i = 0; i < n; ++i) {
    float share = std::sqrt(static_cast<float>(distance2[i])) / away;
    share = share < 1.0f ? share : 1.0f;
    share = share > 0.05f ? share : 0.05f;
    const float w = core[i] ? share : 0.0f;
    w0[i] += w;
    w1[i] += w * key[i];
    w2[i] += w * key[i] * key[i];
  }
}

void Drop(const float* key, const float* limit, size_t n, uint8_t* __restrict core) {
  for (size_t i = 0; i < n; ++i) core[i] &= key[i] >= limit[i];
}

void Known(const uint8_t* sure, const uint8_t* core, const float* key, size_t n, float* __restrict alpha) {
  for (size_t i = 0; i < n; ++i) {
    float value = key[i] > 0.0f ? key[i] : 0.0f;
    value = value < 1.0f ? value : 1.0f;
    value = sure[i] ? 0.0f : value;
    alpha[i] = core[i] ? 1.0f : value;
  }
}

void Under(const float* alpha, const float* solid, const float* soft, float gain, size_t n, float* __restrict to) {
  for (size_t i = 0; i < n; ++i) {
    const float whole = solid[i], part = soft[i] * gain;
    to[i] = alpha[i] >= 1.0f ? whole : part;
  }
}

void AddMoments(const float* w, const float* const y[3], size_t n, float* const sums[10]) {
  const float *r = y[0], *g = y[1], *b = y[2];
  float* __restrict s0 = sums[0], * __restrict s1 = sums[1], * __restrict s2 = sums[2], * __restrict s3 = sums[3], * __restrict s4 = sums[4], * __restrict s5 = sums[5], * __restrict s6 = sums[6], * __restrict s7 = sums[7], * __restrict s8 = sums[8], * __restrict s9 = sums[9];
#pragma GCC ivdep
  for (size_t i = 0; i < n; ++i) {
    const float wr = w[i] * r[i], wg = w[i] * g[i], wb = w[i] * b[i];
    s0[i] += w[i];
    s1[i] += wr;
    s2[i] += wg;
    s3[i] += wb;
    s4[i] += wr * r[i];
    s5[i] += wr * g[i];
    s6[i] += wr * b[i];
    s7[i] += wg * g[i];
    s8[i] += wg * b[i];
    s9[i] += wb * b[i];
  }
}

void Samples(const float* const c[3], const float* const s[3], const float* alpha, float least, size_t n,
             float* __restrict weight, float* const y[3]) {
  for (int k = 0; k < 3; ++k) {
    const float *color = c[k], *screen = s[k];
    float* __restrict out = y[k];
    for (size_t i = 0; i < n; ++i) {
      const float a = alpha[i], share = a > 0.3f ? a : 0.3f;
      float v = (color[i] - (1.0f - a) * screen[i]) / share;
      v = v > 0.0f ? v : 0.0f;
      out[i] = v < 1.5f ? v : 1.5f;
    }
  }
  const float scale = 1.0f / (1.0f - least);
  for (size_t i = 0; i < n; ++i) {
    float w = (alpha[i] - least) * scale;
    w = w > 0.0f ? w : 0.0f;
    w = w < 1.0f ? w : 1.0f;
    weight[i] = w * w * w;
  }
}

struct Sym3 {
  float rr, rg, rb, gg, gb, bb;
};
struct Vec3 {
  float r, g, b;
};
inline float Dot(const Vec3& p, const Vec3& q) { return p.r * q.r + p.g * q.g + p.b * q.b; }
inline Vec3 Times(const Sym3& m, const Vec3& v) {
  return {m.rr * v.r + m.rg * v.g + m.rb * v.b, m.rg * v.r + m.gg * v.g + m.gb * v.b,
          m.rb * v.r + m.gb * v.g + m.bb * v.b};
}
// The inverse times the determinant.
inline Sym3 Adjugate(const Sym3& m) {
  return {m.gg * m.bb - m.gb * m.gb, m.rb * m.gb - m.rg * m.bb, m.rg * m.gb - m.rb * m.gg,
          m.rr * m.bb - m.rb * m.rb, m.rg * m.rb - m.rr * m.gb, m.rr * m.gg - m.rg * m.rg};
}
inline float Determinant(const Sym3& m, const Sym3& adjugate) {
  return m.rr * adjugate.rr + m.rg * adjugate.rg + m.rb * adjugate.rb;
}

// One pixel of MixRows: everything but alpha.
struct Mix {
  Mix(const MixRows& in, const NoiseTerms& t, size_t i)
      : color{in.color[0][i], in.color[1][i], in.color[2][i]},
        screen{in.screen[0][i], in.screen[1][i], in.screen[2][i]},
        mean{in.foreground.mean[0][i], in.foreground.mean[1][i], in.foreground.mean[2][i]},
        cov{in.foreground.cov[0][i], in.foreground.cov[1][i], in.foreground.cov[2][i],
            in.foreground.cov[3][i], in.foreground.cov[4][i], in.foreground.cov[5][i]} {
    const float vr = NoiseVariance(color.r, t.a, t.b), vg = NoiseVariance(color.g, t.a, t.b),
                vb = NoiseVariance(color.b, t.a, t.b);
    noise = {vr, t.correlation[0] * std::sqrt(vr * vg), t.correlation[1] * std::sqrt(vr * vb),
             vg, t.correlation[2] * std::sqrt(vg * vb), vb};
  }
  Sym3 Spread(float alpha) const {
    const float a2 = alpha * alpha;
    return {a2 * cov.rr + noise.rr, a2 * cov.rg + noise.rg, a2 * cov.rb + noise.rb,
            a2 * cov.gg + noise.gg, a2 * cov.gb + noise.gb, a2 * cov.bb + noise.bb};
  }
  Vec3 color, screen, mean;
  Sym3 cov, noise;
};

void Solve(const MixRows& rows, const NoiseTerms& terms, size_t n, float* __restrict alpha) {
  const MixRows in = rows;
  const NoiseTerms noise = terms;
#pragma GCC ivdep
  for (size_t i = 0; i < n; ++i) {
    const Mix mix(in, noise, i);
    const Vec3 e{mix.mean.r - mix.screen.r, mix.mean.g - mix.screen.g, mix.mean.b - mix.screen.b};
    const Vec3 d{mix.color.r - mix.screen.r, mix.color.g - mix.screen.g, mix.color.b - mix.screen.b};
    float a = 0.5f;
    for (int round = 0; round < 2; ++round) {
      // The determinant is the same above and below the line.
      const Vec3 q = Times(Adjugate(mix.Spread(a)), e);
      const float below = Dot(q, e);
      float next = Dot(q, d) / below;
      next = next > 0.0f ? next : 0.0f;
      next = next < 1.0f ? next : 1.0f;
      a = below > kNothing ? next : 0.5f;
    }
    alpha[i] = a;
  }
}

void SolveVariance(const MixRows& rows, const NoiseTerms& terms, const float* alpha, size_t n,
                   float* __restrict variance) {
  const MixRows in = rows;
  const NoiseTerms noise = terms;
#pragma GCC ivdep
  for (size_t i = 0; i < n; ++i) {
    const Mix mix(in, noise, i);
    const Vec3 e{mix.mean.r - mix.screen.r, mix.mean.g - mix.screen.g, mix.mean.b - mix.screen.b};
    const Sym3 spread = mix.Spread(alpha[i]), adjugate = Adjugate(spread);
    const float below = Dot(Times(adjugate, e), e), above = Determinant(spread, adjugate);
    variance[i] = above / (below > kNothing ? below : kNothing);
  }
}

// How much of a step from the mean stays below that bound.
inline float ShareWithin(float mean, float step, float color, float variance) {
  const float bound = mean + kMostDeviations * std::sqrt(variance);
  const float room = (color > bound ? color : bound) - mean;
  const float share = room / (step > kNothing ? step : kNothing);
  return step > room ? share : 1.0f;
}

void Recover(const MixRows& rows, const NoiseTerms& terms, const float* alpha, size_t n, float* const out[3]) {
  const MixRows in = rows;
  const NoiseTerms noise = terms;
  float* __restrict r = out[0], * __restrict g = out[1], * __restrict b = out[2];
#pragma GCC ivdep
  for (size_t i = 0; i < n; ++i) {
    const Mix mix(in, noise, i);
    const float a = alpha[i], rest = 1.0f - a;
    const Sym3 spread = mix.Spread(a), adjugate = Adjugate(spread);
    const float det = Determinant(spread, adjugate);
    const Vec3 d{mix.color.r - a * mix.mean.r - rest * mix.screen.r, mix.color.g - a * mix.mean.g - rest * mix.screen.g,
                 mix.color.b - a * mix.mean.b - rest * mix.screen.b};
    const Vec3 f = Times(mix.cov, Times(adjugate, d));
    const float share = a / (det > kNothing ? det : kNothing);
    const float pr = ShareWithin(mix.mean.r, share * f.r, mix.color.r, mix.cov.rr),
                pg = ShareWithin(mix.mean.g, share * f.g, mix.color.g, mix.cov.gg),
                pb = ShareWithin(mix.mean.b, share * f.b, mix.color.b, mix.cov.bb);
    // All three alike: the hue stays.
    const float most = pr < pg ? pr : pg, held = share * (most < pb ? most : pb);
    const float fr = mix.mean.r + held * f.r, fg = mix.mean.g + held * f.g, fb = mix.mean.b + held * f.b;
    r[i] = fr > 0.0f ? fr : 0.0f;
    g[i] = fg > 0.0f ? fg : 0.0f;
    b[i] = fb > 0.0f ? fb : 0.0f;
  }
}

}  // namespace selvage::worker::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {

HWY_EXPORT(Solid);
HWY_EXPORT(AddKeys);
HWY_EXPORT(Drop);
HWY_EXPORT(Known);
HWY_EXPORT(Under);
HWY_EXPORT(AddMoments);
HWY_EXPORT(Samples);
HWY_EXPORT(Solve);
HWY_EXPORT(SolveVariance);
HWY_EXPORT(Recover);

void SolidRow(const uint8_t* sure, const float* key, float solid, const uint8_t* fair, const int16_t* distance2,
              int16_t away2, size_t n, uint8_t* core) {
  HWY_DYNAMIC_DISPATCH(Solid)(sure, key, solid, fair, distance2, away2, n, core);
}
void AddKeysRow(const uint8_t* core, const int16_t* distance2, float away, const float* key, size_t n,
                float* const sums[3]) {
  HWY_DYNAMIC_DISPATCH(AddKeys)(core, distance2, away, key, n, sums);
}
void DropRow(const float* key, const float* limit, size_t n, uint8_t* core) {
  HWY_DYNAMIC_DISPATCH(Drop)(key, limit, n, core);
}
void KnownRow(const uint8_t* sure, const uint8_t* core, const float* key, size_t n, float* alpha) {
  HWY_DYNAMIC_DISPATCH(Known)(sure, core, key, n, alpha);
}
void UnderRow(const float* alpha, const float* solid, const float* soft, float gain, size_t n, float* to) {
  HWY_DYNAMIC_DISPATCH(Under)(alpha, solid, soft, gain, n, to);
}
void AddMomentsRow(const float* w, const float* const y[3], size_t n, float* const sums[10]) {
  HWY_DYNAMIC_DISPATCH(AddMoments)(w, y, n, sums);
}
void SamplesRow(const float* const c[3], const float* const s[3], const float* alpha, float least, size_t n,
                float* weight, float* const y[3]) {
  HWY_DYNAMIC_DISPATCH(Samples)(c, s, alpha, least, n, weight, y);
}
void SolveRow(const MixRows& in, const NoiseTerms& noise, size_t n, float* alpha) {
  HWY_DYNAMIC_DISPATCH(Solve)(in, noise, n, alpha);
}
void SolveVarianceRow(const MixRows& in, const NoiseTerms& noise, const float* alpha, size_t n, float* variance) {
  HWY_DYNAMIC_DISPATCH(SolveVariance)(in, noise, alpha, n, variance);
}
void RecoverRow(const MixRows& in, const NoiseTerms& noise, const float* alpha, size_t n, float* const out[3]) {
  HWY_DYNAMIC_DISPATCH(Recover)(in, noise, alpha, n, out);
}

}  // namespace selvage::worker
#endif  // HWY_ONCE
