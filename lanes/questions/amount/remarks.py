"""What a calibration and the amounts read off it must say of themselves, as flags."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from lanes.flags import Flag, flag
from lanes.questions.amount.calibration import Calibration
from lanes.questions.amount.inverse import LEVEL
from lanes.spots.quantities import Spot

ENOUGH_LEVELS = 5  # amounts from which linearity is judged: ICH Q2
# What a spot's own flags mean for its area; the rest of them are about its place or its shape.
_OF_AREA = ("clipped", "merged", "window-short", "at-bound", "fit-poor", "at-origin", "at-front")



def lowest(fitted: Calibration) -> float:
    """Return the least amount that is in the standards' range: a blank is no level of it."""
    return float(fitted.x[fitted.x > 0].min())


def in_unit(amount: float, unit: str | None) -> str:
    return f"{amount:.3g}" + (f" {unit}" if unit else "")


def about_amount(
    name: str, value: float | None, area: float, bounded: bool, high: float | None,
    fitted: Calibration, unit: str | None,
) -> list[Flag]:
    out = []
    low, top = lowest(fitted), float(fitted.x.max())
    above = area > float(fitted.at(top)[0])
    if value is None:
        out.append(flag("outside-range", f"{name}: its area is "
                        + ("more than the curve reaches" if above
                           else "less than the curve has for an amount of nothing")))
    elif not low <= value <= top:
        out.append(flag("outside-range", f"{name}: {in_unit(value, unit)} in the spot lies "
                        f"{'above' if above else 'below'} the standards' {low:g} to "
                        f"{in_unit(top, unit)}: the curve is carried on"))
    if not bounded:
        out.append(flag("no-interval", f"{name}: the standards do not tell the curve's rise from "
                        "none (for a line, Fieller's g is 1 or more): no finite interval"))
    elif high is None:
        out.append(flag("no-interval", f"{name}: within its uncertainty the curve may not reach "
                        "that area: the amount has no finite upper end"))
    return out


def about_spots(spots: Mapping[str, Spot | None], amounts: Mapping[str, float]) -> list[Flag]:
    out = of_area({name: spot for name, spot in spots.items() if spot is not None})
    for name, spot in spots.items():
        if amounts[name] == 0 and spot is not None:
            out.append(flag("blank-not-empty", f"lane {name} holds none of it, yet has a spot at "
                            f"Rf {spot.rf:.2f}: it is taken for what nothing looks like"))
    return out


def of_area(spots: Mapping[str, Spot]) -> list[Flag]:
    return [flag(remark.name, f"lane {name}, its spot at Rf {spot.rf:.2f}: {remark.message}")
            for name, spot in spots.items() for remark in spot.flags if remark.name in _OF_AREA]


def about_fit(fitted: Calibration, asked: str) -> list[Flag]:
    out = []
    levels = np.unique(fitted.x[fitted.x > 0]).size
    if levels < ENOUGH_LEVELS:
        out.append(flag("few-standards", f"{levels} different amounts: ICH Q2 recommends at least "
                        f"{ENOUGH_LEVELS} to show linearity"))
    if fitted.curve.name != "line":
        why = ("the area bends with the amount, and a straight line follows it less well"
               if asked == "auto" else "the curve was asked for")
        out.append(flag("curved", f"{fitted.curve.name}: {why}"))
    lack = fitted.lack
    if lack is not None and lack.p < LEVEL:
        out.append(flag("lack-of-fit", f"{fitted.curve.name}: F {lack.f:.1f} on {lack.df_lack} and "
                        f"{lack.df_pure} degrees of freedom, p {lack.p:.2g}"))
    return out
