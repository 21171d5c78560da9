"""The second hand: plates whose truth is known and whose physics is not the program's own.

A program judged only on plates of its own drawing learns its own physics. These share no code with
it, and judge it; no constant of the program is set by looking at them.

    image, truth = draw("phone-on-wood", 3)
    write("phone-on-wood", 3, folder)       # the file as a camera would leave it, and its truth
    image, truth = single_spot("ring", "saturating", 1)
    image, truth = pair_of_spots(0.8, 0.1, 1.2, "skewed-up", "kubelka-munk", 1)

Everything is invented.
"""

from .drawing import OPEN_SEEDS, UNSEEN_SEEDS, draw, drawn, write
from .kinds import KINDS
from .studies import pair_of_spots, single_spot
from .truth import TrueLane, TruePair, TrueSpot, Truth

__all__ = [
    "KINDS",
    "OPEN_SEEDS",
    "UNSEEN_SEEDS",
    "TrueLane",
    "TruePair",
    "TrueSpot",
    "Truth",
    "draw",
    "drawn",
    "pair_of_spots",
    "single_spot",
    "write",
]
