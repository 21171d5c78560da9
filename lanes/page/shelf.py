"""The documents that are open, and how a plate comes among them."""

from __future__ import annotations

import os
import shutil
import threading
from pathlib import Path
from typing import Any

from lanes.errors import InputError
from lanes.measuring import is_trace
from lanes.page.document import Document
from lanes.page.drafts import Draft, Drafts
from lanes.page.saving import picture_of, saved_reading
from lanes.page.worker import Worker
from lanes.scan.scan import read_scan
from lanes.settings import Settings

MOST_OPEN = 8  # each keeps its picture and signal in memory


class Shelf:
    """Every open document with its worker.

    Parameters
    ----------
    drafts : Drafts
    home : Path
        Where readings of dropped pictures are saved.
    """

    def __init__(self, drafts: Drafts, home: Path) -> None:
        self.drafts, self.home = drafts, home
        self.open: dict[str, tuple[Document, Worker]] = {}
        self._lock = threading.Lock()

    def take_file(self, path: Path, home: Path | None = None,
                  settings: Settings | None = None) -> Document:
        """Open a picture on disk, or a saved reading's folder; the path is the person's own.

        Raises
        ------
        InputError
            If it can't be used.
        """
        if path.is_dir():
            file, sha256, kept = saved_reading(path)
            known = [self.drafts.root / name / "source" / record.file
                     for name, record, _ in self.drafts.list() if record.sha256 == sha256]
            document = self.take_file(picture_of(path, file, sha256, known), path.parent, kept)
            document.draft.record.saved = str(path)
            document.keep()
            return document
        with self.drafts.incoming(plain_name(path.name)) as arrived:
            try:
                shutil.copyfile(path, arrived)
            except FileNotFoundError:
                raise InputError(f"no such file: {path.name}; check the path") from None
            except OSError as error:
                raise InputError(f"{path.name} can't be read: {error.strerror}; check the "
                                 "path") from None
            return self.take(arrived, home or path.absolute().parent, settings)

    def take(
        self, arrived: Path, home: Path | None = None, settings: Settings | None = None
    ) -> Document:
        """Open the picture at `arrived`, which is moved; an unfinished draft of it goes on.

        Raises
        ------
        InputError
            If it is no picture that can be read; nothing of it is kept.
        OSError
            If the disk refuses.
        """
        name = arrived.name
        if is_trace(name):
            raise InputError(f"{name} is a trace: the page shows pictures; read it with "
                             f"lanes measure {name} --origin MM --front MM")
        if len(self.open) >= MOST_OPEN:
            raise InputError(f"{MOST_OPEN} plates are open: close one first")
        sha256 = read_scan(arrived).sha256
        if settings is None:
            known = self._draft_of(name, sha256)
            if known is not None:
                return self._begin(known)
        draft = self.drafts.create(arrived, sha256, home or self.home)
        if settings is not None:
            draft.record.history = [settings.to_toml()]
        return self._begin(draft)

    def restore(self, name: str) -> Document:
        """Open a draft again.

        Raises
        ------
        InputError
            If it is gone, or open in another server.
        """
        if name in self.open:
            return self.open[name][0]
        draft = self.drafts.open(name)
        if draft is None:
            raise InputError("that draft is gone, or open in another window of the program")
        return self._begin(draft)

    def close(self, name: str, discard: bool) -> None:
        """Close a document; its draft stays unless it is to be discarded."""
        document, worker = self.open.pop(name)
        worker.close()
        if discard:
            document.draft.discard()
        else:
            document.draft.close()

    def close_all(self) -> None:
        """Close every document and keep its draft."""
        for name in list(self.open):
            self.close(name, False)

    def listing(self) -> dict[str, Any]:
        """Return what the first page shows: open documents, drafts, saved readings near by."""
        drafts = [{"id": name, "file": record.file, "changed": changed, "saved": record.saved}
                  for name, record, changed in self.drafts.list() if name not in self.open]
        return {
            "open": [{"id": name, "file": document.draft.record.file}
                     for name, (document, _) in self.open.items()],
            "drafts": drafts[:20],
            "saved": _saved_in(self.home),
            "home": str(self.home),
        }

    def _begin(self, draft: Draft) -> Document:
        with self._lock:
            if draft.name in self.open:
                return self.open[draft.name][0]
            document = Document(draft)
            worker = Worker(document)
            self.open[document.id] = (document, worker)
        worker.ask()
        return document

    def _draft_of(self, file: str, sha256: str) -> Draft | None:
        for name, record, _ in self.drafts.list():
            if record.sha256 == sha256 and record.file == file:
                if name in self.open:
                    return self.open[name][0].draft
                draft = self.drafts.open(name)
                if draft is not None:
                    return draft
        return None


def plain_name(file: str) -> str:
    """Return a picture's name without any folder, fit to name a file."""
    name = os.path.basename(file.replace("\\", "/").strip())
    kept = "".join(c for c in name if c.isprintable() and c not in '/:*?"<>|').lstrip(".-")
    stem, dot, ending = kept.rpartition(".")
    return (f"{stem[:80]}{dot}{ending[:8]}" if dot else kept[:80]) or "plate"


def _saved_in(home: Path) -> list[str]:
    try:
        found = [path.name for path in home.iterdir()
                 if (path / "results.json").is_file() and (path / "settings.toml").is_file()]
    except OSError:
        return []
    return sorted(found)[:50]
