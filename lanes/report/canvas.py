"""What every picture shares: size in whole pixels, type, colours, and room between labels."""

from __future__ import annotations

import contextlib
import io
import warnings
import zlib
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]

DPI = 160
TEXT = 10.0  # points, as printed at full size
INK = "#1d2733"
QUIET = "#5c6773"
MARK = "#0b3d91"  # dark enough to stand out in grey, on a white halo on any plate
# Colours that colour-blind eyes keep apart (Okabe & Ito, 2008; from memory); the dashes do so in
# grey. Five dashes beside six colours: no two of the first thirty components look the same.
COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#e69f00", "#56b4e9")
DASHES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1, 1.2)), (0, (6, 2, 1, 2)), (0, (2, 2)))

_STYLE: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],  # the one that comes with matplotlib: same look everywhere
    "font.size": TEXT,
    "axes.titlesize": TEXT,
    "axes.labelsize": TEXT,
    "xtick.labelsize": TEXT - 1,
    "ytick.labelsize": TEXT - 1,
    "legend.fontsize": TEXT - 1,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "text.color": INK,
    "axes.linewidth": 0.7,
    "axes.formatter.useoffset": False,
    "text.parse_math": False,  # a lane may be called $5$
}


def arms(values: Sequence[float] | Floats, half: Sequence[float] | Floats,
         most: float = np.inf) -> Floats:
    """Return how far error bars reach below and above, (2, n): not below 0, nor above `most`.

    >>> arms([1.0, 5.0], [2.0, 2.0], 6.0).tolist()
    [[1.0, 2.0], [2.0, 1.0]]
    """
    middle, arm = np.asarray(values, float), np.asarray(half, float)
    reach = np.stack([np.minimum(arm, middle), np.minimum(arm, most - middle)])
    return np.asarray(np.maximum(reach, 0.0))


@contextlib.contextmanager
def style() -> Iterator[None]:
    """Draw in this program's style whatever the user's own matplotlib settings are."""
    import matplotlib as mpl

    with mpl.rc_context(), warnings.catch_warnings():
        # A name in a script the font lacks is drawn as boxes; the tables have it in full.
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from font")
        mpl.rcdefaults()
        settings: Any = mpl.rcParams  # its type lists every key that matplotlib has
        settings.update(_STYLE)
        yield


def canvas(width: int, height: int) -> Figure:
    """Return an empty white figure of `width` x `height` pixels."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    # A hair more than asked, since matplotlib cuts the product down to whole pixels.
    figure = Figure(figsize=((width + 0.01) / DPI, (height + 0.01) / DPI), dpi=DPI)
    FigureCanvasAgg(figure)
    return figure


def box(figure: Figure, left: int, top: int, width: int, height: int, **options: Any) -> Axes:
    """Return axes whose frame is `width` x `height` pixels, counted from the upper left."""
    return figure.add_axes(_share(figure, left, top, width, height), **options)


def _share(
    figure: Figure, left: int, top: int, width: int, height: int
) -> tuple[float, float, float, float]:
    """Return a frame in pixels from the upper left as shares of `figure` from the lower left."""
    full_width, full_height = figure.get_size_inches() * figure.dpi
    bottom = full_height - top - height
    return left / full_width, bottom / full_height, width / full_width, height / full_height


def wiped(figure: Figure, width: int, height: int, frames: Sequence[tuple[int, ...]]) -> Figure:
    """Return a figure of `canvas` with nothing in its axes, which take new `frames` (as of `box`).

    Axes and their ticks take longer to make than all that is drawn in them.
    """
    figure.set_size_inches((width + 0.01) / DPI, (height + 0.01) / DPI)
    for axes, (left, top, wide, high) in zip(figure.axes, frames, strict=True):
        drawn = (*axes.lines, *axes.collections, *axes.patches, *axes.texts, *axes.images)
        for artist in (*drawn, *filter(None, [axes.get_legend()])):
            artist.remove()
        axes.set_position(_share(figure, left, top, wide, high))
    return figure


def png(figure: Figure) -> bytes:
    """Return `figure`, of `canvas` and opaque, as PNG with no more metadata than its scale."""
    figure.canvas.draw()
    drawn: Any = figure.canvas
    pixels = np.asarray(drawn.buffer_rgba())[:, :, :3]
    out = io.BytesIO()
    # Runs alone are looked for: half the time of matplotlib's own writing, and no more bytes.
    Image.fromarray(np.ascontiguousarray(pixels)).save(
        out, format="png", dpi=(DPI, DPI), compress_type=zlib.Z_RLE)
    return out.getvalue()


def halo(width: float = 2.5) -> list[Any]:
    """Return the white rim that keeps marks and text legible on any plate."""
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=width, foreground="white")]


def spread(places: Sequence[float], gap: float, low: float, high: float) -> Floats:
    """Return `places` (rising) moved as little as need be to stand `gap` apart.

    The least-squares shift under that condition is an isotonic regression of place less rank x
    gap. The labels stay within `low` to `high` unless too many to fit.
    """
    from scipy.optimize import isotonic_regression

    if not len(places):
        return np.empty(0)
    steps = gap * np.arange(len(places))
    free = isotonic_regression(np.asarray(places, float) - steps).x
    top = max(low, high - steps[-1])
    return np.asarray(np.clip(free, low, top) + steps, float)
