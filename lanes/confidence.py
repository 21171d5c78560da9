"""How many standard deviations an interval of a normal law takes."""

# Quantiles of the standard normal law (any table of it).
TWO_SIDED_95 = 1.959964  # 95 % lie within this of the mean
ONE_SIDED_95 = 1.644854  # 95 % lie below this
TWO_SIDED_99 = 2.575829  # 99 % lie within this of the mean
MAD_SD = 1.4826  # standard deviation over the median absolute deviation
