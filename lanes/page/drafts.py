"""What is kept on disk while a plate is worked on, so that nothing is lost by a crash."""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import shutil
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import IO, Any

try:
    import fcntl
except ImportError:  # no such locks on this system: two servers may then open one draft
    fcntl = None  # type: ignore[assignment]

RECORD = "document.json"


@dataclass
class Record:
    """A document as kept: its picture's name, every state of its settings, and where it stands.

    `home` is the folder that readings are saved in, `history` holds settings as TOML, and `at`
    says which of them is now.
    """

    file: str
    sha256: str
    home: str
    history: list[str] = field(default_factory=list)
    at: int = 0
    saved: str | None = None


def state_folder() -> Path:
    """Return the user's folder for what programs keep (XDG Base Directory Specification)."""
    base = os.environ.get("XDG_STATE_HOME", "")
    root = Path(base) if os.path.isabs(base) else Path.home() / ".local" / "state"
    return root / "lanes" / "drafts"


class Draft:
    """One document's folder, held under a lock while it is open.

    Attributes
    ----------
    folder : Path
    record : Record
    """

    def __init__(self, folder: Path, record: Record, lock: IO[bytes] | None) -> None:
        self.folder, self.record, self._lock = folder, record, lock

    @property
    def name(self) -> str:
        """Return the document's id, which is its folder's name."""
        return self.folder.name

    @property
    def source(self) -> Path:
        """Return the path of the picture."""
        return self.folder / "source" / self.record.file

    def keep(self) -> None:
        """Write the record, whole or not at all. Raises OSError where the disk refuses."""
        new = self.folder / f".{RECORD}-{secrets.token_hex(4)}"
        try:
            with open(new, "wb") as out:
                out.write(json.dumps(asdict(self.record), ensure_ascii=False).encode())
                out.flush()
                os.fsync(out.fileno())
            os.replace(new, self.folder / RECORD)
        finally:
            with contextlib.suppress(OSError):
                new.unlink(missing_ok=True)

    def close(self) -> None:
        """Let go of the lock."""
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def discard(self) -> None:
        """Delete the folder."""
        self.close()
        shutil.rmtree(self.folder, ignore_errors=True)


class Drafts:
    """The folder of drafts."""

    def __init__(self, root: Path | None = None) -> None:
        self.root = root or state_folder()

    @contextlib.contextmanager
    def incoming(self, file: str) -> Iterator[Path]:
        """Give a path, named `file`, for bytes that are arriving; in the end nothing is left.

        Raises OSError where the disk refuses.
        """
        folder = self.root / f".incoming-{secrets.token_hex(8)}"
        folder.mkdir(parents=True, mode=0o700)
        try:
            yield folder / file
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def create(self, arrived: Path, sha256: str, home: Path) -> Draft:
        """Make a draft whose picture is `arrived`, which is moved into it. Raises OSError."""
        folder = self.root / secrets.token_hex(8)
        try:
            (folder / "source").mkdir(parents=True, mode=0o700)
            draft = Draft(folder, Record(arrived.name, sha256, str(home)), _lock(folder))
            os.replace(arrived, draft.source)
        except OSError:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        return draft

    def list(self) -> list[tuple[str, Record, float]]:
        """Return id, record and time of last change of every draft, the latest first."""
        found = []
        with contextlib.suppress(OSError):
            for folder in self.root.iterdir():
                record = _record(folder)
                if record is not None and (folder / "source" / record.file).is_file():
                    found.append((folder.name, record, (folder / RECORD).stat().st_mtime))
        return sorted(found, key=lambda each: -each[2])

    def open(self, name: str) -> Draft | None:
        """Open the draft `name`; None where there is none, or another server holds it."""
        if name not in {found for found, _, _ in self.list()}:
            return None
        folder = self.root / name
        record = _record(folder)
        lock = _lock(folder)
        if record is None or (lock is None and fcntl is not None):
            return None
        return Draft(folder, record, lock)


def _record(folder: Path) -> Record | None:
    try:
        values: Any = json.loads((folder / RECORD).read_bytes())
        record = Record(**values)
    except (OSError, ValueError, TypeError):
        return None
    plain = os.path.basename(record.file) == record.file and record.file not in ("", ".", "..")
    sane = (isinstance(record.history, list) and isinstance(record.at, int)
            and 0 <= record.at < len(record.history))
    return record if plain and sane else None


def _lock(folder: Path) -> IO[bytes] | None:
    """Lock a draft for this server; None where another holds it."""
    if fcntl is None:
        return None
    handle = open(folder / ".lock", "ab")  # noqa: SIM115 - held as long as the draft is
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        handle.close()
        return None
    return handle
