"""A question put to a document: its command run, its answer's page kept."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from lanes.errors import InputError
from lanes.page.command_runner import Command
from lanes.page.document import Answer, Document
from lanes.page.forms import BY_NAME, words_of

MOST_AT_ONCE = 2  # questions under way, on all plates: each keeps a processor busy


class Asking:
    """The questions under way and answered, of every open document."""

    def __init__(self) -> None:
        self._running: dict[tuple[str, int], Command] = {}

    def ask(
        self, document: Document, question: str, entries: Mapping[str, Any],
        others: Mapping[str, str],
    ) -> Answer:
        """Start the command that answers `question`.

        Raises
        ------
        InputError
            If the form is not filled, or too many questions are under way.
        OSError
            If its folder can't be written.
        """
        layout = document.layout
        if layout is None or document.outcome is None or document.outcome.reading is None:
            raise InputError("the plate is not read yet: place what is missing first")
        if len(self._running) >= MOST_AT_ONCE:
            raise InputError("two questions are under way: wait for one, or stop it")
        names = [lane.name for lane in layout.lanes]
        words = words_of(question, entries, names, f"source/{document.draft.record.file}", others)
        number = 1 + max((answer.number for answer in document.answers), default=0)
        folder = document.draft.folder / "answers"
        folder.mkdir(exist_ok=True)
        out = folder / str(number)
        shutil.rmtree(out, ignore_errors=True)
        settings = folder / f"{number}.toml"
        settings.write_text(document.settings.to_toml(), encoding="utf-8")
        answer = Answer(number, question, BY_NAME[question].title, document.revision)
        # Places set by hand are this plate's: other plates are read as found.
        if not (question == "solvent" and entries.get("others")):
            words += ["--settings", f"answers/{number}.toml"]
        document.answers.append(answer)
        self._running[document.id, number] = Command(
            [*words, "--out", f"answers/{number}"], document.draft.folder,
            lambda code, line: self._finished(document, answer, out, code, line),
            lambda done, whole: _progressed(document, answer, done, whole),
        )
        if answer.state != "running":  # it may have ended before it was noted down
            self._running.pop((document.id, number), None)
        document.changed()
        return answer

    def stop(self, document: Document, number: int) -> None:
        """Stop a question that is under way."""
        for answer in document.answers:
            if answer.number == number and answer.state == "running":
                answer.state = "stopped"
        command = self._running.get((document.id, number))
        if command is not None:
            command.stop()
        document.changed()

    def close(self) -> None:
        """Stop every question."""
        for command in list(self._running.values()):
            command.stop()

    def _finished(
        self, document: Document, answer: Answer, out: Path, code: int, line: str
    ) -> None:
        self._running.pop((document.id, answer.number), None)
        page = out / f"{answer.question}.html"
        if answer.state == "running":
            good = code == 0 and page.is_file()
            answer.state = "answered" if good else "failed"
            answer.line = "" if good else line.removeprefix("lanes: ") or (
                f"the question broke off with code {code}")
        if answer.state == "answered":
            answer.files = {path.name: path for path in out.iterdir()}
        document.changed()


def _progressed(document: Document, answer: Answer, done: int, whole: int) -> None:
    answer.done, answer.whole = done, whole
    document.changed()
