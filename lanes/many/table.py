"""plates.csv: the spots of every plate in one table, with the plate's name before each."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from pathlib import Path

from lanes.many.ledger import Done
from lanes.report.tables import SPOT_COLUMNS, as_text

COLUMNS = ("plate", "file", *SPOT_COLUMNS)


def plates_csv(out: Path, done: Iterable[Done]) -> bytes:
    """Return plates.csv: the rows of every plate's spots.csv, in the order of `done`.

    `plate` is the name of the plate's folder, and with `lane` and `spot` it is unique.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for plate in done:
        with (out / plate.folder / "spots.csv").open(encoding="utf-8", newline="") as file:
            rows = csv.reader(file)
            next(rows)
            for row in rows:
                writer.writerow([as_text(plate.folder), as_text(plate.file), *row])
    return text.getvalue().encode("utf-8")
