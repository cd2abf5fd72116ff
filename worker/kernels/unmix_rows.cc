#include "worker/kernels/unmix_rows.h"

#include <cmath>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/unmix_rows.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"

HWY_BEFORE_NAMESPACE();
namespace selvage::HWY_NAMESPACE {

// Below it a direction or a variance is nothing; the picture is scaled so that
// the screen is near 0.5.
constexpr float kNothing = 1e-30f;

// Rows do not overlap; where there are too many of them to be checked when it runs,
// ivdep says so to the compiler, which takes no notice of that many __restrict.

void AllFinite(const float* in, float gain, float least, size_t n, float* __restrict out) {
  for (size_t i = 0; i < n; ++i) out[i] = Finite(in[i], gain, least);
}

void AtMost(float most, size_t n, float* __restrict values) {
  for (size_t i = 0; i < n; ++i) values[i] = values[i] < most ? values[i] : most;
}

void Minus(const float* a, const float* b, size_t n, float* __restrict out) {
  for (size_t i = 0; i < n; ++i) out[i] = a[i] - b[i];
}

void AddThree(const float* a, const float* b, const float* c, size_t n, float* __restrict out) {
  for (size_t i = 0; i < n; ++i) out[i] = (a[i] + b[i]) + c[i];
}

void Distance(const DistanceInputs& in, float a, float b, float share_of_mean, float model, size_t n,
              float* __restrict out) {
  const float *r = in.columns[0], *g = in.columns[1], *bl = in.columns[2];
  const float *sr = in.screen[0], *sg = in.screen[1], *sb = in.screen[2];
  const float slope = share_of_mean * a, offset = share_of_mean * b, model2 = model * model;
  for (size_t i = 0; i < n; ++i) {
    const float mr = ((r[i] + r[i - 1]) + r[i + 1]) * (1.0f / 9);
    const float mg = ((g[i] + g[i - 1]) + g[i + 1]) * (1.0f / 9);
    const float mb = ((bl[i] + bl[i - 1]) + bl[i + 1]) * (1.0f / 9);
    const float vr = slope * sr[i] + offset + model2 * (sr[i] * sr[i]);
    const float vg = slope * sg[i] + offset + model2 * (sg[i] * sg[i]);
    const float vb = slope * sb[i] + offset + model2 * (sb[i] * sb[i]);
    out[i] = mr * mr / vr + mg * mg / vg + mb * mb / vb;
  }
}

void Shade(const DistanceInputs& in, float a, float b, float share_of_mean, float model, size_t n,
           float* __restrict ratio, float* __restrict rest) {
  const float *r = in.columns[0], *g = in.columns[1], *bl = in.columns[2];
  const float *sr = in.screen[0], *sg = in.screen[1], *sb = in.screen[2];
  const float slope = share_of_mean * a, offset = share_of_mean * b, model2 = model * model;
  for (size_t i = 0; i < n; ++i) {
    const float cr = sr[i] + ((r[i] + r[i - 1]) + r[i + 1]) * (1.0f / 9);
    const float cg = sg[i] + ((g[i] + g[i - 1]) + g[i + 1]) * (1.0f / 9);
    const float cb = sb[i] + ((bl[i] + bl[i - 1]) + bl[i + 1]) * (1.0f / 9);
    const float wr = 1.0f / (slope * sr[i] + offset + model2 * (sr[i] * sr[i]));
    const float wg = 1.0f / (slope * sg[i] + offset + model2 * (sg[i] * sg[i]));
    const float wb = 1.0f / (slope * sb[i] + offset + model2 * (sb[i] * sb[i]));
    const float q = (wr * sr[i] * cr + wg * sg[i] * cg + wb * sb[i] * cb) /
                    (wr * sr[i] * sr[i] + wg * sg[i] * sg[i] + wb * sb[i] * sb[i]);
    const float dr = cr - q * sr[i], dg = cg - q * sg[i], db = cb - q * sb[i];
    ratio[i] = q;
    rest[i] = wr * dr * dr + wg * dg * dg + wb * db * db;
  }
}

void Below(const float* value, float limit, size_t n, uint8_t* __restrict bit) {
  for (size_t i = 0; i < n; ++i) bit[i] = value[i] < limit;
}

void Alike(const float* rest, float most, const float* ratio, float low, float high, size_t n,
           uint8_t* __restrict alike) {
  for (size_t i = 0; i < n; ++i) alike[i] = (rest[i] < most) & (ratio[i] > low) & (ratio[i] < high);
}

void AddSlow(const uint8_t* alike, const float* here, const float* above, const float* below, float slow, size_t n,
             uint8_t* __restrict found) {
  const float *before = here - 2, *after = here + 2;
  for (size_t i = 0; i < n; ++i) {
    found[i] |= alike[i] & (std::abs(after[i] - before[i]) < slow) & (std::abs(below[i] - above[i]) < slow);
  }
}

void AddBits(const uint8_t* from, size_t n, uint8_t* __restrict to) {
  for (size_t i = 0; i < n; ++i) to[i] |= from[i];
}

void KeepBits(const uint8_t* from, size_t n, uint8_t* __restrict to) {
  for (size_t i = 0; i < n; ++i) to[i] &= from[i];
}

uint32_t Count(const uint8_t* bits, size_t n) {
  uint32_t count = 0;
  for (size_t i = 0; i < n; ++i) count += bits[i];
  return count;
}

void Within(const float* value, float low, float high, size_t n, uint8_t* __restrict bit) {
  for (size_t i = 0; i < n; ++i) bit[i] = (value[i] > low) & (value[i] < high);
}

void Above(const float* value, float limit, size_t n, uint8_t* __restrict bit) {
  for (size_t i = 0; i < n; ++i) bit[i] = value[i] > limit;
}

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

void Reached(const float* value, float limit, size_t n, uint8_t* __restrict bit) {
  for (size_t i = 0; i < n; ++i) bit[i] = value[i] >= limit;
}

void Known(const uint8_t* sure, const uint8_t* core, const float* key, size_t n, float* __restrict alpha) {
  for (size_t i = 0; i < n; ++i) {
    float value = key[i] > 0.0f ? key[i] : 0.0f;
    value = value < 1.0f ? value : 1.0f;
    value = sure[i] ? 0.0f : value;
    alpha[i] = core[i] ? 1.0f : value;
  }
}

void Neither(const uint8_t* a, const uint8_t* b, size_t n, uint8_t* __restrict to) {
  for (size_t i = 0; i < n; ++i) to[i] = 1 ^ (a[i] | b[i]);
}

void Take(const uint8_t* bits, const float* from, size_t n, float* __restrict to) {
  for (size_t i = 0; i < n; ++i) {
    const float is = from[i], was = to[i];
    to[i] = bits[i] ? is : was;
  }
}

void Keep(const uint8_t* bits, size_t n, float* __restrict values) {
  for (size_t i = 0; i < n; ++i) {
    const float was = values[i];
    values[i] = bits[i] ? was : 0.0f;
  }
}

void Under(const float* alpha, const float* solid, const float* soft, float gain, size_t n, float* __restrict to) {
  for (size_t i = 0; i < n; ++i) {
    const float whole = solid[i], part = soft[i] * gain;
    to[i] = alpha[i] >= 1.0f ? whole : part;
  }
}

inline float Variance(float y, float a, float b) { return a * (y > 0.0f ? y : 0.0f) + b; }

void Roughness(const float* const c[3], const float* const m[3], float a, float b, size_t n, float* __restrict out) {
  const float *c0 = c[0], *c1 = c[1], *c2 = c[2], *m0 = m[0], *m1 = m[1], *m2 = m[2];
  for (size_t i = 0; i < n; ++i) {
    const float d0 = c0[i] - m0[i], d1 = c1[i] - m1[i], d2 = c2[i] - m2[i];
    out[i] = (d0 * d0 / Variance(c0[i], a, b) + d1 * d1 / Variance(c1[i], a, b) + d2 * d2 / Variance(c2[i], a, b)) *
             (1.0f / 3);
  }
}

void Shrink(const float* columns, const float* const c[3], float* const m[3], size_t n) {
  const float *c0 = c[0], *c1 = c[1], *c2 = c[2];
  float* __restrict m0 = m[0], * __restrict m1 = m[1], * __restrict m2 = m[2];
#pragma GCC ivdep
  for (size_t i = 0; i < n; ++i) {
    const float v = ((columns[i] + columns[i - 1]) + columns[i + 1]) * (1.0f / 9);
    const float gain = v > 1.0f ? 1.0f - 1.0f / v : 0.0f;
    m0[i] = m0[i] + gain * (c0[i] - m0[i]);
    m1[i] = m1[i] + gain * (c1[i] - m1[i]);
    m2[i] = m2[i] + gain * (c2[i] - m2[i]);
  }
}

void Axis(const float* const c[3], const float* const s[3], const float u[3], float least, size_t n,
          float* __restrict signal, float* __restrict of_screen, float* __restrict tint) {
  const float *c0 = c[0], *c1 = c[1], *c2 = c[2], *s0 = s[0], *s1 = s[1], *s2 = s[2];
  const float u0 = u[0], u1 = u[1], u2 = u[2];
  for (size_t i = 0; i < n; ++i) {
    signal[i] = c0[i] * u0 + c1[i] * u1 + c2[i] * u2;
    const float screen = s0[i] * u0 + s1[i] * u1 + s2[i] * u2;
    of_screen[i] = screen > least ? screen : least;
    const float light = c0[i] + c1[i] + c2[i], of_light = s0[i] + s1[i] + s2[i];
    tint[i] = signal[i] * of_light / (of_screen[i] * (light > least ? light : least));
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
    const float vr = Variance(color.r, t.a, t.b), vg = Variance(color.g, t.a, t.b), vb = Variance(color.b, t.a, t.b);
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
    const float fr = mix.mean.r + share * f.r, fg = mix.mean.g + share * f.g, fb = mix.mean.b + share * f.b;
    r[i] = fr > 0.0f ? fr : 0.0f;
    g[i] = fg > 0.0f ? fg : 0.0f;
    b[i] = fb > 0.0f ? fb : 0.0f;
  }
}

}  // namespace selvage::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage {

HWY_EXPORT(AllFinite);
HWY_EXPORT(AtMost);
HWY_EXPORT(Minus);
HWY_EXPORT(AddThree);
HWY_EXPORT(Distance);
HWY_EXPORT(Shade);
HWY_EXPORT(Below);
HWY_EXPORT(Alike);
HWY_EXPORT(AddSlow);
HWY_EXPORT(AddBits);
HWY_EXPORT(KeepBits);
HWY_EXPORT(Count);
HWY_EXPORT(Within);
HWY_EXPORT(Above);
HWY_EXPORT(Solid);
HWY_EXPORT(AddKeys);
HWY_EXPORT(Drop);
HWY_EXPORT(Reached);
HWY_EXPORT(Known);
HWY_EXPORT(Neither);
HWY_EXPORT(Take);
HWY_EXPORT(Keep);
HWY_EXPORT(Under);
HWY_EXPORT(Roughness);
HWY_EXPORT(Shrink);
HWY_EXPORT(Axis);
HWY_EXPORT(AddMoments);
HWY_EXPORT(Samples);
HWY_EXPORT(Solve);
HWY_EXPORT(SolveVariance);
HWY_EXPORT(Recover);

void FiniteRow(const float* in, float gain, float least, size_t n, float* out) {
  HWY_DYNAMIC_DISPATCH(AllFinite)(in, gain, least, n, out);
}
void AtMostRow(float most, size_t n, float* values) { HWY_DYNAMIC_DISPATCH(AtMost)(most, n, values); }
void MinusRow(const float* a, const float* b, size_t n, float* out) { HWY_DYNAMIC_DISPATCH(Minus)(a, b, n, out); }
void AddThreeRow(const float* a, const float* b, const float* c, size_t n, float* out) {
  HWY_DYNAMIC_DISPATCH(AddThree)(a, b, c, n, out);
}
void DistanceRow(const DistanceInputs& in, float a, float b, float share_of_mean, float model, size_t n, float* out) {
  HWY_DYNAMIC_DISPATCH(Distance)(in, a, b, share_of_mean, model, n, out);
}
void ShadeRow(const DistanceInputs& in, float a, float b, float share_of_mean, float model, size_t n, float* ratio,
              float* rest) {
  HWY_DYNAMIC_DISPATCH(Shade)(in, a, b, share_of_mean, model, n, ratio, rest);
}
void BelowRow(const float* value, float limit, size_t n, uint8_t* bit) {
  HWY_DYNAMIC_DISPATCH(Below)(value, limit, n, bit);
}
void AlikeRow(const float* rest, float most, const float* ratio, float low, float high, size_t n, uint8_t* alike) {
  HWY_DYNAMIC_DISPATCH(Alike)(rest, most, ratio, low, high, n, alike);
}
void AddSlowRow(const uint8_t* alike, const float* here, const float* above, const float* below, float slow, size_t n,
                uint8_t* found) {
  HWY_DYNAMIC_DISPATCH(AddSlow)(alike, here, above, below, slow, n, found);
}
void AddBitsRow(const uint8_t* from, size_t n, uint8_t* to) { HWY_DYNAMIC_DISPATCH(AddBits)(from, n, to); }
void KeepBitsRow(const uint8_t* from, size_t n, uint8_t* to) { HWY_DYNAMIC_DISPATCH(KeepBits)(from, n, to); }
uint32_t CountRow(const uint8_t* bits, size_t n) { return HWY_DYNAMIC_DISPATCH(Count)(bits, n); }
void WithinRow(const float* value, float low, float high, size_t n, uint8_t* bit) {
  HWY_DYNAMIC_DISPATCH(Within)(value, low, high, n, bit);
}
void AboveRow(const float* value, float limit, size_t n, uint8_t* bit) {
  HWY_DYNAMIC_DISPATCH(Above)(value, limit, n, bit);
}
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
void ReachedRow(const float* value, float limit, size_t n, uint8_t* bit) {
  HWY_DYNAMIC_DISPATCH(Reached)(value, limit, n, bit);
}
void KnownRow(const uint8_t* sure, const uint8_t* core, const float* key, size_t n, float* alpha) {
  HWY_DYNAMIC_DISPATCH(Known)(sure, core, key, n, alpha);
}
void NeitherRow(const uint8_t* a, const uint8_t* b, size_t n, uint8_t* to) {
  HWY_DYNAMIC_DISPATCH(Neither)(a, b, n, to);
}
void TakeRow(const uint8_t* bits, const float* from, size_t n, float* to) {
  HWY_DYNAMIC_DISPATCH(Take)(bits, from, n, to);
}
void KeepRow(const uint8_t* bits, size_t n, float* values) { HWY_DYNAMIC_DISPATCH(Keep)(bits, n, values); }
void UnderRow(const float* alpha, const float* solid, const float* soft, float gain, size_t n, float* to) {
  HWY_DYNAMIC_DISPATCH(Under)(alpha, solid, soft, gain, n, to);
}
void RoughnessRow(const float* const c[3], const float* const m[3], float a, float b, size_t n, float* out) {
  HWY_DYNAMIC_DISPATCH(Roughness)(c, m, a, b, n, out);
}
void ShrinkRow(const float* columns, const float* const c[3], float* const m[3], size_t n) {
  HWY_DYNAMIC_DISPATCH(Shrink)(columns, c, m, n);
}
void AxisRow(const float* const c[3], const float* const s[3], const float u[3], float least, size_t n, float* signal,
             float* of_screen, float* tint) {
  HWY_DYNAMIC_DISPATCH(Axis)(c, s, u, least, n, signal, of_screen, tint);
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

}  // namespace selvage
#endif  // HWY_ONCE
