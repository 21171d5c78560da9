"""A reading saved as the folder that `lanes measure --out` writes, and such a folder opened."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

from lanes.errors import InputError, LanesError
from lanes.page.command_runner import Command
from lanes.page.document import Document
from lanes.settings import Settings
from lanes.settings_file import read_settings


def folder_name(name: str) -> str:
    """Return `name` as the plain name of a folder.

    Raises
    ------
    InputError
        If it leads anywhere else.
    """
    name = name.strip()
    bad = not name or len(name) > 120 or name.startswith((".", "-")) or not name.isprintable()
    if bad or any(c in '/\\:*?"<>|' for c in name):
        raise InputError(f"{name!r} can't name a folder: use letters, digits, blanks and - _ + .")
    return name


def save(document: Document, name: str, replace: bool) -> str:
    """Save the document's reading and return the folder's path.

    The program's own command reads the picture anew under the document's settings, so that the
    folder holds, byte for byte, what the command line would write.

    Raises
    ------
    LanesError
        With the command's own line, where it can't.
    """
    home = Path(document.draft.record.home)
    out = home / folder_name(name)
    settings = document.draft.folder / "save.toml"
    settings.write_text(document.settings.to_toml(), encoding="utf-8")
    ended: list[tuple[int, str]] = []
    words = ["measure", f"source/{document.draft.record.file}", "--settings", "save.toml",
             "--out", str(out), *(["--force"] if replace else [])]
    Command(words, document.draft.folder, lambda code, line: ended.append((code, line))).join()
    code, line = ended[0]
    if code != 0:
        line = line.removeprefix("lanes: ") or f"saving broke off with code {code}"
        raise LanesError(line.replace("give another --out, or --force to replace it",
                                      "choose another name, or tick Replace").replace(
                                      "give another --out", "choose another name"))
    document.draft.record.saved = str(out)
    document.keep()
    document.changed()
    return str(out)


def saved_reading(folder: Path) -> tuple[str, str, Settings]:
    """Return file name, SHA-256 and settings of a saved reading.

    Raises
    ------
    InputError
        If `folder` is none.
    """
    try:
        record = json.loads((folder / "results.json").read_bytes())
        file, sha256 = str(record["scan"]["file"]), str(record["scan"]["sha256"])
    except (OSError, ValueError, KeyError, TypeError):
        raise InputError(f"{folder.name} holds no results.json of a reading: give a folder that "
                         "`lanes measure --out` wrote") from None
    return file, sha256, read_settings(folder / "settings.toml")


def picture_of(folder: Path, file: str, sha256: str, known: list[Path]) -> Path:
    """Return the picture that a saved reading was made from.

    It is looked for beside the folder, in it, and among `known` pictures.

    Raises
    ------
    InputError
        If it is not there, or is another picture by now.
    """
    plain = Path(file).name
    for path in (folder.parent / plain, folder / plain, *known):
        if path.is_file() and hashlib.sha256(path.read_bytes()).hexdigest() == sha256:
            return path
    raise InputError(f"the picture {plain} of {folder.name} is not beside it, or was changed: put "
                     "it back beside the folder")
