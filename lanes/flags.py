"""The registry of remarks on a result: each name with its meaning, cause and remedy.

Every flag a reading can carry stands here once; `lanes explain` prints them, `listed()` names them
for the README.
"""

from __future__ import annotations

import textwrap
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
    Kind("transfer-assumed", "the file's tone curve is not known",
         "say --transfer linear or srgb; area percent depends on it"),
    Kind("scale-unknown", "no usable dots per inch or size: lengths are in pixels",
         "give --plate-width, --plate-height or --dpi; Rf and area percent need none"),
    Kind("scale-implausible", "dots per inch make plate or spots an impossible size, or the "
         "size stated is not that of the outline found",
         "give --plate-width, --plate-height or --dpi; look at the outline in plate.png"),
    Kind("bed-unseen", "no scanner bed shows: the image's edges are taken as the plate's",
         "scan the whole plate, or crop exactly to it"),
    Kind("keystone", "the plate is seen at an angle; its four corners were squared",
         "photograph from straight above, or scan"),
    Kind("clipped", "part of the signal, or the layer, lies beyond what the scan could record",
         "scan again with less exposure; the area is a lower bound"),
    Kind("light-assumed", "the kind of light was judged from the image",
         "say --light white, 254 or 366"),
    Kind("light-doubtful", "the picture looks lit by another lamp than was said",
         "say --light 254 if that lamp lit it: each light has a law of its own"),
    Kind("no-spot", "nothing in the lane stands out of the noise",
         "apply more sample, or use a more sensitive detection"),
    Kind("merged", "no valley divides this spot from its neighbour: told apart by shape alone",
         "develop again with another solvent; ask the shoulder question"),
    Kind("wide", "the spot is wider than others on the plate, or good practice, allow",
         "apply less sample; ask the shoulder question"),
    Kind("tailing", "the spot tails: its apex and its centre of mass differ",
         "apply less sample, or change the solvent"),
    Kind("weak", "its area is under ten times its standard deviation: present, but poorly measured",
         "apply more sample"),
    Kind("at-origin", "the spot sits on the origin line, or below it: it did not move",
         "use a stronger solvent"),
    Kind("at-front", "the spot runs with the solvent front, or lies beyond it",
         "use a weaker solvent"),
    Kind("at-bound", "a fitted value lay at its limit and was fixed there",
         "look at the trace; name the lane's limits yourself"),
    Kind("fit-poor", "the sum of the spots does not follow the trace within the noise",
         "look at the residuals; the areas are less certain than usual"),
    Kind("window-short", "the spot reaches beyond the sides of the lane",
         "give a wider --lane-width; a narrower one where a neighbour's spot reaches in"),
    Kind("thin-matter", "specks, scratches or pencil were taken out of the lane",
         "brush the plate; look at the marked places"),
    Kind("masked", "a person's mask, or a hole in the layer, takes up part of the lane: no spot is "
         "read from it", "nothing, if no spot is meant to be there; else take the mask away, or "
         "run the lane again on whole layer"),
    Kind("noise-from-residuals", "no clean layer was found: noise comes from the fit itself",
         "leave room between lanes"),
    Kind("no-uncertainty", "a standard deviation could not be had and is given as unknown",
         "look at the fit; fewer components may do"),
    Kind("front-near-edge", "the front is so near the upper edge that it may have stalled",
         "stop the run 5 to 10 mm below the upper edge: Rf may be too high"),
    Kind("run-short", "the solvent ran too short a way to separate the spots",
         "let it run 50 mm or more"),
    Kind("origin-low", "the origin is so near the lower edge that the solvent may wash spots off",
         "draw the origin about 10 mm above the lower edge; fill less solvent"),
    Kind("origin-high", "the origin is so high that much of the plate is lost to the run",
         "draw the origin about 10 mm above the lower edge, or check --origin"),
    Kind("lines-sloping", "origin and front are not parallel to each other or to the lower edge",
         "draw the origin with a ruler; stand the plate level in an even layer of solvent"),
    Kind("front-curved", "the front runs faster in the middle than at the sides, or slower",
         "line the chamber with wet paper and wait before the run; keep lanes off the sides"),
    Kind("lane-crowded", "the lane lies too near a side edge or a neighbour",
         "apply 10 mm from the sides and from each other"),
    Kind("asymmetric", "the spot's symmetry lies outside 0.8 to 1.8",
         "apply less sample; add a little acid or base to the solvent"),
    Kind("streak", "the spot drags a streak behind it",
         "apply less sample; add a little acid or base to the solvent"),
    Kind("overloaded", "the spot is so dark that stray light bends its signal",
         "apply less sample: its area is a lower bound"),
    Kind("solvent-weak", "every spot stays below Rf 0.2",
         "use a stronger solvent: Rf 0.2 to 0.8 separates best"),
    Kind("solvent-strong", "every spot runs above Rf 0.8",
         "use a weaker solvent: Rf 0.2 to 0.8 separates best"),
    Kind("rf-outside", "spots lie below Rf 0.2 and above 0.8, and none between",
         "use another solvent, or a gradient of two"),
    Kind("coarse", "the scan has too few samples over a spot",
         "scan at 300 dots per inch"),
    Kind("compressed", "lossy compression left its 8 x 8 blocks in the picture",
         "save the scan as PNG or TIFF; areas and weak spots are less certain than stated"),
    Kind("few-levels", "neighbouring samples of the layer are alike: there are too few grey levels",
         "save as full 8-bit or 16-bit grey or colour, with no palette and no smoothing"),
    Kind("lamp-uneven", "the plate is lit so unevenly that it can't be corrected in full",
         "light the plate evenly, or scan it in the middle of the bed"),
    Kind("upside-down", "marks, names or bends of the two lines speak for a plate upside down",
         "look at plate.png; turn it with --turn 180"),
    Kind("not-detected", "no spot stands out at the Rf that is calibrated",
         "apply more sample; the amount lies below what is said to be missed"),
    Kind("outside-range", "the amount lies outside the standards' amounts: the curve is carried on",
         "dilute, apply more, or add standards until the sample lies between two of them"),
    Kind("no-interval", "the standards can't bound the amount: it has no finite 95 % interval",
         "run more standards, over a wider range of amounts"),
    Kind("curved", "a curve follows the standards better than a straight line does",
         "put standards close on both sides of the sample; add some to judge the bend"),
    Kind("lack-of-fit", "the curve misses the standards by more than repeated ones differ",
         "narrow the range of amounts, or take another curve"),
    Kind("few-standards", "fewer than five amounts: linearity can't be shown (ICH Q2)",
         "run standards of five amounts or more"),
    Kind("blank-not-empty", "a lane without any of the substance shows a spot at its Rf",
         "look for carry-over, or for something else at that Rf"),
    Kind("match-ambiguous", "spots can be followed across plates in a way that advises otherwise",
         "run the substances beside the mixture, or a plate of a mixture in between"),
    Kind("not-repeated", "plates of one mixture disagree by more than plates scatter",
         "look at the fractions given; run the mixture again in the same chamber and layer"),
    Kind("run-together", "two components share one spot on a plate",
         "their Rf there is known to half the spot's width; trust the other plates"),
    Kind("extrapolated", "the mixture lies outside those that were tried",
         "run a plate of it before relying on it"),
    Kind("outside-window", "an Rf lies outside 0.2 to 0.8, where spots separate less well",
         "change the mixture; where none will do, change a solvent"),
    Kind("slope-assumed", "a component was seen at one fraction only: its slope is the usual one",
         "run another mixture in which it shows apart"),
    Kind("law-misfit", "log k is no falling straight line in log X within the plates' scatter",
         "look at the figure; keep to mixtures near those tried, or repeat a plate"),
    Kind("left-out", "a spot was not used, or an expected one was not found",
         "choose a mixture that brings it between origin and front"),
    Kind("solvent-order", "by their names, the stronger solvent is not the stronger one",
         "look whether the two names, or the fractions, are exchanged"),
    Kind("not-told-apart", "one spot of the unknown is not told apart from spots of two references",
         "run them in another solvent, or compare colours and stains"),
    Kind("co-spot-unread", "a co-spot lane says nothing of one pair of spots",
         "apply the two in one place, both in sight and away from other spots"),
    Kind("repeatability-assumed", "how well Rf repeats from lane to lane is assumed",
         "run a co-spot, or one substance in several lanes"),
    Kind("two-plates", "spots of two plates are compared through one standard",
         "run unknown and reference side by side on one plate"),
    Kind("law-matters", "area percent changes with the law from light to signal",
         "quote the law with the number, or see what another --law says; calibrate for amounts"),
    Kind("channel-matters", "area percent changes with the colour channel, or no one channel sees "
         "all spots", "compare spots of one colour only; calibrate for amounts"),
    Kind("spots-lighter", "the spots are lighter than the layer, and read as such",
         "say --spots light, or dark where they are not"),
    Kind("spots-darker", "under 366 nm those spots are read that quench the layer's glow",
         "say --spots light where spots shine; photograph the plate under 254 nm"),
    Kind("lanes-assumed", "lanes were asked for where nothing marks them",
         "look at plate.png; give the x of each with --lanes X1,X2"),
    Kind("lines-inferred", "a line is drawn in part or by marks, or two lines may be it",
         "give its height with --origin or --front; Rf is less certain, as its interval says"),
    Kind("outside-lanes", "something stands out of the layer and lies in no lane: it is not read",
         "look at plate.png; give the lanes with --lanes, or a wider --lane-width"),
    Kind("spot-unread", "something stands out of the layer in a lane and is reported as no spot",
         "look at the place; try another --channel, or --spots"),
    Kind("name-unused", "a substance was named where the lane shows no spot",
         "look at the lane's name and the Rf that --substance was given"),
    Kind("more-pages", "the file holds more pages than the one that was read",
         "choose one with --page"),
    Kind("several-plates", "the picture shows more than one plate, and one was read",
         "choose one with --plate, or crop to one"),
    Kind("outline-doubtful", "the plate's edges are not sure: another outline fits nearly as well",
         "look at plate.png; give --corners or --whole-image, or photograph on a dark, plain bed"),
    Kind("turned", "the plate lay sideways or upside down in the picture, and was turned",
         "look at plate.png; say --turn 0 to keep the picture as it is"),
    Kind("sideways", "the plate may lie sideways in the picture",
         "say --turn 90 or 270, or --turn 0 where it stands upright"),
)


def flag(name: str, message: str) -> Flag:
    """Return the flag `name` with `message`.

    Raises
    ------
    KeyError
        If `name` is not registered: a defect in the program, not in its input.
    """
    return Flag(REGISTRY[name].name, message)


def listed() -> str:
    """Return the names of all remarks as the README lists them."""
    names = ", ".join(f"`{name}`" for name in REGISTRY)
    return textwrap.fill(names, 98, break_long_words=False, break_on_hyphens=False) + "."
