"""The real server, started as a person starts it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image
from serving import ROOT, Server, Start, servers


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Return what starts servers of this test's own."""
    with servers(tmp_path) as run:
        yield run


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """Return one server for tests that leave nothing in it."""
    with servers(tmp_path_factory.mktemp("served")) as run:
        yield run()


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    """Return the plate that the README shows, of half its dots per inch: it is read much."""
    path = tmp_path / "demo.png"
    with Image.open(ROOT / "fixtures" / "demo.png") as image:
        dpi = image.info["dpi"][0] / 2
        image.convert("RGB").reduce(2).save(path, dpi=(dpi, dpi))
    return path
