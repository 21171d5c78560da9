"""The registry of remarks on a result: each name with its meaning, cause and remedy.

Every flag a reading can carry stands here once; `table()` prints the registry for the README.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Kind:
    """One entry of the registry. All fields are plain sentences without a final stop."""

    name: str
    meaning: str
    remedy: str


@dataclass(frozen=True)
class Flag:
    """A remark attached to a scan, lane, spot or reading: a registered name and a message."""

    name: str
    message: str


def _registry(*kinds: Kind) -> dict[str, Kind]:
    return {kind.name: kind for kind in kinds}


REGISTRY = _registry(
    Kind("depth-lost", "the file holds 16 bits a channel but was read at 8",
         "install the extra for deep colour, or save as 16-bit grey"),
    Kind("transfer-assumed", "how codes map to light is not known for this file",
         "say --transfer linear or srgb; area percent depends on it"),
    Kind("scale-unknown", "no usable dots per inch or size: lengths are in pixels",
         "give --plate-width, --plate-height or --dpi; Rf and area percent need none"),
    Kind("scale-implausible", "the file's dots per inch give a plate of an impossible size",
         "give --plate-width, --plate-height or --dpi"),
    Kind("bed-unseen", "no scanner bed shows: the image's edges are taken as the plate's",
         "scan the whole plate, or crop exactly to it"),
    Kind("keystone", "the plate is seen at an angle; its four corners were squared",
         "photograph from straight above, or scan"),
    Kind("clipped", "part of the signal lies beyond what the scan could record",
         "scan again with less exposure; the area is a lower bound"),
    Kind("light-assumed", "the kind of light was judged from the image",
         "say --light white, 254 or 366"),
    Kind("no-spot", "nothing in the lane stands out of the noise",
         "apply more sample, or use a more sensitive detection"),
    Kind("merged", "no valley divides this spot from its neighbour: told apart by shape alone",
         "develop again with another solvent; ask the shoulder question"),
    Kind("wide", "the spot is wider than its neighbours allow for one component",
         "apply less sample; ask the shoulder question"),
    Kind("tailing", "the spot tails: its apex and its centre of mass differ",
         "apply less sample, or change the solvent"),
    Kind("weak", "its area is under ten of its standard deviations: present, but poorly measured",
         "apply more sample"),
    Kind("at-origin", "the spot sits on the origin line: it did not move",
         "use a stronger solvent"),
    Kind("at-front", "the spot runs with the solvent front",
         "use a weaker solvent"),
    Kind("at-bound", "a fitted value lay at its limit and was fixed there",
         "look at the trace; name the lane's limits yourself"),
    Kind("fit-poor", "the sum of the spots does not follow the trace within the noise",
         "look at the residuals; the areas are less certain than usual"),
    Kind("window-short", "the spot reaches beyond the sides of the lane",
         "give a wider --lane-width"),
    Kind("thin-matter", "specks, scratches or pencil were taken out of the lane",
         "brush the plate; look at the marked places"),
    Kind("noise-from-residuals", "no clean layer was found: noise comes from the fit itself",
         "leave room between lanes"),
    Kind("no-uncertainty", "a standard deviation could not be had and is given as unknown",
         "look at the fit; fewer components may do"),
    Kind("law-matters", "area percent changes with the law from light to signal",
         "quote the law with the number; calibrate for amounts"),
)


def flag(name: str, message: str) -> Flag:
    """Return the flag `name` with `message`.

    Raises
    ------
    KeyError
        If `name` is not registered: a defect in the program, not in its input.
    """
    return Flag(REGISTRY[name].name, message)


def table() -> str:
    """Return the registry as a Markdown table."""
    rows = ["| flag | what it means | what to do |", "|---|---|---|"]
    rows += [f"| `{k.name}` | {k.meaning} | {k.remedy} |" for k in REGISTRY.values()]
    return "\n".join(rows)
