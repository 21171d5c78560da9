"""Numbers as people read them: the value and its uncertainty rounded alike."""

from __future__ import annotations

import math

UNKNOWN = "?"


def known(value: float | None) -> bool:
    """Return whether `value` is a finite number."""
    return value is not None and math.isfinite(value)


def decimals_of(sd: float) -> int:
    """Return the decimals that show `sd` (positive) with two significant figures.

    Taken after rounding, so that 0.0996 counts as 0.10; negative for tens and hundreds.

    >>> [decimals_of(sd) for sd in (0.0996, 0.0123, 3.4, 120.0)]
    [2, 3, 1, -1]
    """
    return 1 - int(f"{sd:.1e}".partition("e")[2])


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


def with_sd(value: float | None, sd: float | None, decimals: int) -> str:
    """Return `value ± sd`, the standard deviation with two significant figures.

    Parameters
    ----------
    value, sd : float or None
        None, infinity and not-a-number are printed as `?`.
    decimals : int
        Used for the value where the standard deviation is unknown or zero.

    >>> with_sd(0.34567, 0.00123, 3), with_sd(0.34567, None, 3), with_sd(None, None, 3)
    ('0.3457 ± 0.0012', '0.346 ± ?', '?')
    """
    if value is None or not math.isfinite(value):
        return UNKNOWN
    if sd is None or not math.isfinite(sd):
        return f"{fixed(value, decimals)} ± {UNKNOWN}"
    if sd <= 0:
        return f"{fixed(value, decimals)} ± 0"
    decimals = decimals_of(sd)
    return f"{fixed(value, decimals)} ± {fixed(sd, decimals)}"


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
    return f"{math.ceil(percent * 10**places - 1e-9) / 10**places:.{places}f}"
