"""Which plates are done already, and into which folder each of the others goes."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from lanes.errors import InputError
from lanes.many.find import folder_name, numbered, shown
from lanes.many.ledger import OWN_FILES, Done, done_in
from lanes.many.work import key
from lanes.scan.decode import read_bytes
from lanes.settings import Settings


@dataclass(frozen=True)
class Plan:
    """`todo` holds each plate to read with its folder's name, `done` those that are there."""

    todo: tuple[tuple[Path, str], ...]
    done: tuple[tuple[Path, str], ...]


def plan(out: Path, paths: Sequence[Path], settings: Settings, figures: bool) -> Plan:
    """Return what is to be done.

    A plate is done where `out` holds it by the same name, bytes, settings and version. Files are
    only hashed where there is something to compare with.
    """
    there = done_in(out)
    by_key: dict[str, list[Done]] = defaultdict(list)
    for one in there:
        by_key[one.key].append(one)
    taken = {name.casefold() for name in OWN_FILES}
    done, rest = [], []
    for path in paths:
        same = by_key[_key(path, settings, figures)] if there else []
        if same:
            folder = same.pop(0).folder
            taken.add(folder.casefold())
            done.append((path, folder))
        else:
            rest.append(path)
    others = {one.folder.casefold(): one.file for one in there}
    todo = []
    for path in rest:
        count = 1
        # A folder of another file is left alone; one of this file's name is an earlier reading.
        while ((name := numbered(folder_name(path), count).casefold()) in taken
               or others.get(name, shown(path.name)) != shown(path.name)):
            count += 1
        taken.add(name)
        todo.append((path, numbered(folder_name(path), count)))
    return Plan(tuple(todo), tuple(done))


def _key(path: Path, settings: Settings, figures: bool) -> str:
    try:
        name, data = read_bytes(path)
    except InputError:
        return ""
    return key(name, hashlib.sha256(data).hexdigest(), settings, figures)
