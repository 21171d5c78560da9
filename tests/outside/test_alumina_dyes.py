"""A published table of Rf: drawn as plates and read back, and its dyes followed by spacing alone.

Azo dyes on alumina of activity II to V (Brockmann & Schodder, Ber. Dtsch. Chem. Ges. 74, 73
(1941), as thin layers by Hermanek, Schwarz & Cekan 1961; all values from memory). Historical:
neither these dyes, of which several are carcinogenic, nor their solvent is recommended. They
stand here for the table alone, which reaches from the origin to the front.

A plate drawn from any table would have to read back: those two tests hold the reading from origin
to front to half of the table's last digit, and say nothing of the table. The last test can fail by
the table's own numbers: how the dyes' spacing changes from grade to grade.
"""

from __future__ import annotations

import pytest

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.measuring import measure
from lanes.questions.solvent.matching import SpotTraits, match

GRADES = ("II", "III", "IV", "V")
DYES = {
    "azobenzene": (0.59, 0.74, 0.85, 0.95),
    "p-methoxyazobenzene": (0.16, 0.49, 0.69, 0.89),
    "Sudan yellow": (0.01, 0.25, 0.57, 0.78),
    "Sudan red": (0.00, 0.10, 0.33, 0.56),
    "p-aminoazobenzene": (0.00, 0.03, 0.08, 0.19),
}
ORANGE = (0.3, 0.9, 1.6)  # what the dyes take of red, green and blue, roughly
WITHIN = 0.005  # half of the table's last digit


def plate(tmp_path, lanes, **choices):
    """Draw at 150 dpi, on a usual layer with its grain and mottle; a run of 80 mm."""
    spec = PlateSpec(width=20.0 * len(lanes), height=100, origin=12, front=92, dpi=150,
                     lanes=lanes, **choices)
    path = tmp_path / "plate.png"
    save(draw(spec), path)
    return path


@pytest.mark.parametrize("grade", GRADES)
def test_one_lane_a_dye(tmp_path, grade):
    """Five lanes, everything found by itself: lines, lanes, light, spots.

    Spots at Rf 0.00 to 0.03 lie on or beside the pencilled origin line, as they did in truth: the
    line is drawn over them as everywhere, and hides a part of them from the reading.
    """
    column = GRADES.index(grade)
    lanes = tuple(
        LaneSpec(10.0 + 20 * i, (SpotSpec(rf=row[column], amount=1.5, colour=ORANGE),))
        for i, row in enumerate(DYES.values()))
    reading = measure(plate(tmp_path, lanes, seed=column), picture=False)
    assert len(reading.lanes) == len(DYES)
    for lane, (dye, row) in zip(reading.lanes, DYES.items(), strict=True):
        assert len(lane.spots) == 1, dye
        spot = lane.spots[0]
        assert abs(spot.rf - row[column]) < WITHIN, dye
        assert spot.rf_sd < WITHIN, dye
        flagged = "at-origin" in [f.name for f in spot.flags]
        assert flagged or row[column] > 0, dye
        assert not flagged or row[column] <= 0.01, dye


def test_all_dyes_in_each_lane(tmp_path):
    """The mixture that graded a layer, on III, IV and V; on II three dyes share the origin."""
    lanes = tuple(
        LaneSpec(10.0 + 20 * i, name=grade, spots=tuple(
            SpotSpec(rf=row[i + 1], amount=1.0, width=2.2, colour=ORANGE)
            for row in DYES.values()))
        for i, grade in enumerate(GRADES[1:]))
    reading = measure(plate(tmp_path, lanes, seed=9), picture=False)
    assert len(reading.lanes) == 3
    for i, lane in enumerate(reading.lanes):
        table = sorted(row[i + 1] for row in DYES.values())
        found = [spot.rf for spot in lane.spots]
        assert found == pytest.approx(table, abs=WITHIN)
        # Drawn in equal amounts.
        assert [spot.area_percent for spot in lane.spots] == pytest.approx([20] * 5, abs=2.5)


# Percent of water in the layer of each grade (Brockmann & Schodder 1941; from memory).
WATER = {"II": 0.03, "III": 0.06, "IV": 0.10, "V": 0.15}


@pytest.mark.parametrize("grades", [("III", "IV"), ("IV", "V"), ("III", "V"), ("III", "IV", "V")])
def test_the_dyes_are_followed_by_their_spacing(grades):
    """Water weakens the layer as a stronger solvent would: which spot is which must come out.

    Given are places alone, with equal areas and widths and no colour; grade II and the lowest dye,
    which stay on the origin, have no log k. The right answer is the table's own rows.
    """
    rows = [row for row in DYES.values() if row[GRADES.index(grades[0])] > 0.02]
    plates, orders = [], []
    for grade in grades:
        rf = [row[GRADES.index(grade)] for row in rows]
        order = sorted(range(len(rows)), key=rf.__getitem__)
        orders.append(order)
        plates.append([SpotTraits(rf[k], WITHIN, 0.03, 1 / len(rows), 0.02, 0.0) for k in order])
    first, *_ = match(plates, [WATER[grade] for grade in grades])
    for spots in zip(*first.spots, strict=True):
        assert None not in spots
        assert len({order[spot] for order, spot in zip(orders, spots, strict=True)}) == 1
    assert first.probability > 0.5
