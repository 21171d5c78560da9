"""Numbers as people read them: the value and its uncertainty rounded alike.

Rf is printed with two decimals, as chemists write it, and with its standard deviation where that
reaches the last of them; `rf_decimals` asks for more. Records and tables for other programs hold
every number in full.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator, Sequence
from contextvars import ContextVar

from lanes.rounding import ROUNDING

UNKNOWN = "?"
RF_DECIMALS = 2  # common practice: Rf repeats from plate to plate to a hundredth at best
_rf_decimals: ContextVar[int] = ContextVar("rf_decimals", default=RF_DECIMALS)


@contextlib.contextmanager
def rf_decimals(count: int | None) -> Iterator[None]:
    """Print Rf with `count` decimals inside this context; None keeps what is set."""
    token = _rf_decimals.set(_rf_decimals.get() if count is None else count)
    try:
        yield
    finally:
        _rf_decimals.reset(token)


def show_rf(value: float | None, sd: float | None = 0.0, more: int = 0) -> str:
    """Return an Rf as printed, with its standard deviation where that shows.

    Parameters
    ----------
    value : float or None
    sd : float or None
        None where it is unknown, 0 where it is not to be printed.
    more : int
        Further decimals: for differences of Rf, and where two spots would read alike.

    >>> show_rf(0.62037, 0.00073), show_rf(0.62037, 0.0123), show_rf(0.62037, None)
    ('0.62', '0.62 ± 0.01', '0.62 ± ?')
    """
    places = _rf_decimals.get() + more
    text = fixed(value, places)
    if text == UNKNOWN or (sd is not None and sd < 0.5 * 10.0**-places):
        return text
    return f"{text} ± {fixed(sd, places)}"


def rf_more(values: Sequence[float], index: int) -> int:
    """Return how many further decimals distinguish Rf `index` from the others, three at most.

    >>> rf_more((0.204, 0.201, 0.5), 0), rf_more((0.204, 0.201, 0.5), 2)
    (1, 0)
    """
    others = [value for i, value in enumerate(values) if i != index]
    for more in range(3):
        places = _rf_decimals.get() + more
        if fixed(values[index], places) not in {fixed(value, places) for value in others}:
            return more
    return 3


def rf_limit(value: float) -> str:
    """Return an upper bound on a difference of Rf, one decimal more than Rf, never rounded down.

    >>> rf_limit(0.00412), rf_limit(0.005)
    ('0.005', '0.005')
    """
    places = _rf_decimals.get() + 1
    return fixed(math.ceil(value * 10.0**places - ROUNDING) / 10.0**places, places)


def known(value: float | None) -> bool:
    """Return whether `value` is a finite number."""
    return value is not None and math.isfinite(value)


def decimals_of(sd: float) -> int:
    """Return the decimals that show `sd` (positive): one figure, two where the first is a 1.

    Taken after rounding, so that 0.0996 counts as 0.10; negative for tens and hundreds.

    >>> [decimals_of(sd) for sd in (0.0996, 0.0123, 0.02, 3.4, 120.0, 340.0)]
    [2, 3, 2, 0, -1, -2]
    """
    first, _, power = f"{sd:.1e}".partition("e")
    return (1 if first.startswith("1") else 0) - int(power)


def fixed(value: float | None, decimals: int) -> str:
    """Return `value` with `decimals` decimals, or `?` where it is not known.

    >>> fixed(-0.0001, 2), fixed(1234.0, -2), fixed(None, 2)
    ('0.00', '1200', '?')
    """
    if value is None or not math.isfinite(value):
        return UNKNOWN
    if decimals < 0:
        return f"{round(value, decimals):z.0f}"
    return f"{value:z.{decimals}f}"


def percent_with_sd(
    value: float | None, sd: float | None, noise: float | None = None
) -> str:
    """Return a share in percent with its standard deviation, as `with_sd`, to whole percents.

    Where one standard deviation would pass 0 or 100, which no share does, the range that is left
    of it stands in its place.

    >>> percent_with_sd(57.4, 28.6, 0.38), percent_with_sd(4.8, 6.1, 0.15)
    ('57 ± 29 (0.4)', '5, 0 to 11 (0.15)')
    >>> percent_with_sd(34.0, 41.2), percent_with_sd(96.2, 1.86, 1.69), percent_with_sd(5.0, None)
    ('34, 0 to 75', '96.2 ± 1.9 (1.7)', '5.0 ± ?')
    """
    if value is None or sd is None or not math.isfinite(value) or not 0.0 < sd < math.inf:
        return with_sd(value, sd, 1, noise)
    places = max(0, decimals_of(sd))
    low, high = max(0.0, value - sd), min(100.0, value + sd)
    if low == 0.0 or high == 100.0:
        text = f"{fixed(value, places)}, {fixed(low, places)} to {fixed(high, places)}"
    else:
        text = f"{fixed(value, places)} ± {fixed(sd, places)}"
    return text + _noise_alone(noise, sd, places)


def with_sd(
    value: float | None, sd: float | None, decimals: int, noise: float | None = None
) -> str:
    """Return `value ± sd`, the standard deviation with one or two figures.

    Parameters
    ----------
    value, sd : float or None
        None, infinity and not-a-number are printed as `?`.
    decimals : int
        Used for the value where the standard deviation is unknown or zero.
    noise : float or None
        The part of the standard deviation that is noise alone, put in brackets where it is known
        and reads otherwise.

    >>> with_sd(56.02, 2.4, 1, 1.06), with_sd(56.02, 1.2, 1, 1.19), with_sd(0.83, 0.41, 1, 0.022)
    ('56 ± 2 (1)', '56.0 ± 1.2', '0.8 ± 0.4 (0.02)')
    >>> with_sd(0.34567, 0.00123, 3), with_sd(0.34567, 0.0023, 3), with_sd(0.34567, None, 3)
    ('0.3457 ± 0.0012', '0.346 ± 0.002', '0.346 ± ?')
    """
    if value is None or not math.isfinite(value):
        return UNKNOWN
    if sd is None or not math.isfinite(sd):
        return f"{fixed(value, decimals)} ± {UNKNOWN}"
    if sd <= 0:
        return f"{fixed(value, decimals)} ± 0"
    decimals = decimals_of(sd)
    return f"{fixed(value, decimals)} ± {fixed(sd, decimals)}{_noise_alone(noise, sd, decimals)}"


def _noise_alone(noise: float | None, sd: float, decimals: int) -> str:
    """Return the bracket that holds the noise's part of `sd`, where it reads otherwise."""
    if noise is None or not math.isfinite(noise) or fixed(noise, decimals) == fixed(sd, decimals):
        return ""
    alone = fixed(noise, decimals)
    if noise > 0 and float(alone) == 0.0:  # small, not zero: by its own figures
        alone = fixed(noise, decimals_of(noise))
    return f" ({alone})"


def figures(value: float | None, count: int = 3) -> str:
    """Return `value` with `count` significant figures, whole numbers never shortened.

    >>> figures(12.345), figures(54321.6), figures(0.00012345), figures(None)
    ('12.3', '54322', '0.000123', '?')
    """
    if value is None or not math.isfinite(value):
        return UNKNOWN
    if value == 0:
        return "0"
    power = int(f"{value:.{count - 1}e}".partition("e")[2])
    if power < -5 or power > 8:
        return f"{value:.{count - 1}e}"
    return fixed(value, max(0, count - 1 - power))


def up(percent: float) -> str:
    """Return a limit with two figures, never rounded down.

    >>> up(0.4512), up(6.81), up(12.1)
    ('0.46', '6.9', '13')
    """
    if percent <= 0:
        return "0"
    places = max(0, 1 - math.floor(math.log10(percent)))
    return f"{math.ceil(percent * 10**places - ROUNDING) / 10**places:.{places}f}"
