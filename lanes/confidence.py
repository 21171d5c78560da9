"""Levels of confidence, and how many standard deviations an interval of a normal law takes."""

# Share of cases below the upper end of a 95 % interval: open below, and with two ends.
BELOW_ONE_SIDED_95 = 0.95
BELOW_TWO_SIDED_95 = 0.975
SIGNIFICANT = 0.05  # p-value below which a difference is called one (convention)
# Quantiles of the standard normal law (any table of it).
TWO_SIDED_95 = 1.959964  # 95 % lie within this of the mean
ONE_SIDED_95 = 1.644854  # 95 % lie below this
TWO_SIDED_99 = 2.575829  # 99 % lie within this of the mean
MAD_SD = 1.4826  # standard deviation over the median absolute deviation
SECOND_DIFFERENCE_SD = 6.0**0.5  # of white noise over its own: 1 + 4 + 1 times its variance
UNIFORM_SD = 12.0**-0.5  # of rounding, over its step: an even distribution one step wide
