"""A reading as its folder of files."""

from __future__ import annotations

from pathlib import Path

from lanes.reading import Reading
from lanes.report.figures import pictures
from lanes.report.folder import Content, write_folder
from lanes.report.record import results_json
from lanes.report.report import report_html
from lanes.report.tables import pairs_csv, spots_csv, traces_csv


def reading_files(reading: Reading, figures: bool = True) -> dict[str, Content]:
    """Return the files of `reading` by name: record, tables, settings, pictures and report.

    The pictures are drawn once, for their own files and for the report. Without `figures`
    neither has any.
    """
    drawn = pictures(reading) if figures else {}
    return {
        "results.json": results_json(reading),
        "spots.csv": spots_csv(reading),
        "pairs.csv": pairs_csv(reading),
        "traces.csv": traces_csv(reading),
        "settings.toml": reading.settings.to_toml().encode("utf-8"),
        **drawn,
        "report.html": report_html(reading, drawn),
    }


def write_reading(
    reading: Reading, out: str | Path, figures: bool = True, force: bool = False
) -> None:
    """Write `reading` as the folder `out`, whole or not at all.

    Parameters
    ----------
    reading : Reading
    out : str or Path
        The folder to make; its parent must exist.
    figures : bool
        Draw the pictures.
    force : bool
        Replace `out` where this program made it.

    Raises
    ------
    OutputError
        If `out` exists and may not be replaced, or can't be written.
    """
    write_folder(out, reading_files(reading, figures), force)
