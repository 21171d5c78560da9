"""What keeps arithmetic finite, which differences are rounding's alone, and rounding down."""

from math import floor

TINY = 1e-300  # keeps a division by nothing, or the log of it, finite: near the least number kept
# Relative. Sums of doubles keep some 1e-13 (16 digits less what some thousand terms lose), and
# nothing that is measured is known to better than 1e-4: anything between separates the two.
ROUNDING = 1e-9


def rounded_down(value: float) -> str:
    """Return `value` with one decimal, never rounded up to the bound that it stays below."""
    return f"{floor(10 * value) / 10:.1f}"
