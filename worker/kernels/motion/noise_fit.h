// The arithmetic under the noise measurement, in binary64 and plain loops: a few
// thousand numbers, where sameness counts for more than speed.
#pragma once

#include <utility>
#include <vector>

#include "worker/picture/image.h"

namespace selvage::worker {

// Coefficients [8 * v + u] with u + v >= 9, where pictures have least of their
// own; there are 21.
inline bool IsHighFrequency(int k) { return k / 8 + k % 8 >= 9; }
constexpr int kHighFrequencies = 21;
// Sum of squares of those, of 64 coefficients.
double HighFrequencyEnergy(const float* coefficients);

// Takes the best polynomial of degree 2 in x and y out of packed values and
// returns the variance that remains (for the values' degrees of freedom).
// REQUIRES: at least 8x8 values.
double RemoveQuadratic(std::vector<float>* values, int width, int height);

// Quantile of chi squared with `freedom` degrees over its mean; `normal` is the
// normal distribution's quantile. Source: Wilson & Hilferty 1931.
double ChiSquaredQuantile(double normal, double freedom);

// Of (value, weight): least value at which half of the weight is reached.
// REQUIRES: not empty.
double WeightedMedian(std::vector<std::pair<double, double>> values);

// Over the finite values of a plane (0 if none).
float LeastValue(const Plane& plane);
float GreatestValue(const Plane& plane);

// The 8x8 block at (x, y) is finite and not clipped: it holds the plane's
// `least` and `most` value at most once each.
bool IsUsable(const Plane& plane, int x, int y, float least, float most);

}  // namespace selvage::worker
