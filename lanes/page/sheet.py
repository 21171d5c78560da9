"""The table of spots for a spreadsheet: as .xlsx, where the optional extra is installed."""

from __future__ import annotations

from io import BytesIO
from typing import Any

from lanes.errors import InputError
from lanes.reading import Reading

HEAD = ("Lane", "Role", "Spot", "Rf", "Rf sd", "Area percent", "Area percent sd", "Area",
        "Area sd", "Distance mm", "Width mm", "Symmetry", "S/N", "Substance", "Flags")


def rows(reading: Reading) -> list[list[Any]]:
    """Return one row a spot, in the order of `HEAD`; unknown is None."""
    about = reading.settings.about
    return [
        [lane.name, lane.role, number, spot.rf, spot.rf_sd, spot.area_percent,
         spot.area_percent_sd, spot.area, spot.area_sd, spot.position_mm, spot.width_mm,
         spot.asymmetry, spot.signal_to_noise, about.name_at(lane.name, spot.rf),
         " ".join(flag.name for flag in spot.flags)]
        for lane in reading.lanes for number, spot in enumerate(lane.spots, 1)
    ]


def xlsx(reading: Reading) -> bytes:
    """Return the table as a workbook.

    Raises
    ------
    InputError
        If the extra is not installed.
    """
    try:
        from openpyxl import Workbook
        from openpyxl.styles import Font
    except ImportError:
        raise InputError('.xlsx needs an optional extra: pip install "lanes[xlsx]"; the copy '
                         "button needs none") from None
    book = Workbook()
    sheet = book.active
    sheet.title = "Spots"
    sheet.append(list(HEAD))
    for cell in sheet[1]:
        cell.font = Font(bold=True)
    for row in rows(reading):
        # A name that begins like a formula must stay a name.
        sheet.append(row)
        for cell in sheet[sheet.max_row]:
            if isinstance(cell.value, str):
                cell.data_type = "s"
    sheet.freeze_panes = "A2"
    out = BytesIO()
    book.save(out)
    return out.getvalue()
