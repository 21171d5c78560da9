"""A plate that is worked on: its picture, its settings and their history, and what was read."""

from __future__ import annotations

import threading
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from lanes.errors import InputError, LanesError
from lanes.page.drafts import Draft
from lanes.page.edits import carried_over, corners_moved, edited
from lanes.page.reader import Outcome, Reader
from lanes.plate.by_hand import as_placed
from lanes.plate.layout import Layout
from lanes.plate.locate import locate_plate
from lanes.settings import Settings
from lanes.settings_file import from_mapping

MOST_STEPS = 300  # of undo


class StaleEdit(Exception):
    """The edit was made on an older state than the document's, in another tab."""


@dataclass
class Answer:
    """A question that was asked: running, answered or failed."""

    number: int
    question: str
    words: str
    revision: int
    state: str = "running"
    line: str = ""
    done: int = 0
    whole: int = 0
    files: dict[str, Path] = field(default_factory=dict)


class Document:
    """One plate on the page. All its methods may be called from any thread.

    `revision` counts changes of the settings, `stamp` everything that a page should show anew.
    """

    def __init__(self, draft: Draft) -> None:
        self.draft = draft
        self.lock = threading.RLock()
        self.reader = Reader(draft.source)
        self.revision = 1
        self.stamp = 1
        self.outcome: Outcome | None = None
        self._squared: Layout | None = None  # the plate under corners that are not read yet
        self.outcome_revision = 0
        self.reading_stamp = 0
        self.progress: tuple[str, int, int] | None = None
        self.stopped = False
        self.answers: list[Answer] = []
        self.trouble: str | None = None  # why the draft could not be kept
        if not draft.record.history:
            draft.record.history, draft.record.at = [Settings().to_toml()], 0
        self._settings = self._now()
        self.keep()

    @property
    def id(self) -> str:
        """Return the document's name in addresses."""
        return self.draft.name

    @property
    def settings(self) -> Settings:
        """Return the settings as they now stand."""
        return self._settings

    @property
    def layout(self) -> Layout | None:
        """Return where things are: as last found, and as placed by hand since."""
        layout = self._squared
        if layout is None and self.outcome is not None:
            layout = self.outcome.layout
        if layout is None or self.outcome_revision == self.revision:
            return layout
        try:
            return as_placed(layout, self._settings)
        except LanesError:
            return layout

    def changed(self) -> None:
        """Note that a page should show something anew."""
        with self.lock:
            self.stamp += 1

    def edit(self, revision: int, edit: Mapping[str, Any]) -> None:
        """Take one edit.

        Raises
        ------
        StaleEdit
            If `revision` is not the document's.
        InputError
            If the edit can't be done; the settings are then as before.
        """
        with self.lock:
            if revision != self.revision:
                raise StaleEdit
            record = self.draft.record
            kind = edit.get("do")
            if kind in ("undo", "redo"):
                at = record.at + (1 if kind == "redo" else -1)
                if not 0 <= at < len(record.history):
                    raise InputError(f"there is nothing to {kind}")
                record.at = at
                self._squared = None
            else:
                settings = self._edited(edit)
                if settings == self._settings:
                    return
                del record.history[record.at + 1:]
                record.history.append(settings.to_toml())
                del record.history[: -MOST_STEPS]
                record.at = len(record.history) - 1
            self._settings = self._now()
            self.revision += 1
            self.stopped = False
            self.keep()
            self.stamp += 1

    def replace_settings(self, settings: Settings) -> None:
        """Begin the history anew from `settings`, as a saved reading has them."""
        with self.lock:
            self.draft.record.history, self.draft.record.at = [settings.to_toml()], 0
            self._settings = self._now()
            self.revision += 1
            self.keep()
            self.stamp += 1

    def keep(self) -> None:
        """Write the draft; where the disk refuses, say so and go on."""
        try:
            self.draft.keep()
            self.trouble = None
        except OSError as error:
            self.trouble = (f"the draft can't be kept on disk: {error.strerror or error}; make "
                            "room, or save the reading before you close the page")

    def publish(self, outcome: Outcome, revision: int) -> bool:
        """Take what was read at `revision`; return False where it is no longer wanted."""
        with self.lock:
            if revision != self.revision:
                return False
            self.outcome, self.outcome_revision = outcome, revision
            self._squared = None
            self.progress = None
            self.stamp += 1
            self.reading_stamp = self.stamp
            return True

    def _now(self) -> Settings:
        record = self.draft.record
        return from_mapping(tomllib.loads(record.history[record.at]))

    def _edited(self, edit: Mapping[str, Any]) -> Settings:
        settings, layout = self._settings, self.layout
        if edit.get("do") != "corners":
            return edited(settings, layout, edit)
        moved = corners_moved(settings, edit)
        if layout is None:
            return moved
        try:
            new = locate_plate(self.reader.scan(moved), moved)
        except LanesError as error:
            raise InputError(str(error)) from None
        self._squared = replace(new, origin=layout.origin, front=layout.front, lanes=layout.lanes)
        return carried_over(moved, layout, new)
