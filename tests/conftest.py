"""One thread for NumPy's small matrices, as the command has; and what the command's tests share."""

from __future__ import annotations

import gc
import os
import shutil
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

# Before NumPy loads, which is why nothing here imports it above.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

# Each process that a test starts would else compile the whole program anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int | None:
    """Keep studies in one process: they print, and measure speed. None: a worker a core."""
    return 0 if config.option.markexpr == "study" or config.option.capture == "no" else None


# Files of 20 s of processor time and more: begun late, one of them would hold the end alone.
LONGEST = {
    "many/test_cluster.py", "many/test_many.py", "benchmarks/test_shoulder_study.py",
    "page/test_browser.py", "checks/test_matrix.py", "shoulder/test_shoulder.py",
    "tests/test_cli_bad_input.py", "tests/test_fuzz_images.py", "tests/test_measuring.py",
    "tests/test_properties.py", "tests/test_readme.py",
}


def pytest_configure() -> None:
    """Let Ctrl-C reach what tests start, where the suite itself runs in the background.

    A shell starts what it puts there with SIGINT ignored, and children inherit that. And collect
    no garbage while tests are collected: what is made then stays, and looking through it for
    cycles again and again takes a quarter of that time.
    """
    gc.disable()
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_collection_finish() -> None:
    """Collect garbage again, but seldom: each time goes through all that was loaded."""
    gc.enable()
    gc.set_threshold(50_000)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first, the same in every worker."""
    items.sort(key=lambda item: "/".join(item.path.parts[-2:]) not in LONGEST)


@pytest.fixture
def trace(tmp_path: Path) -> Path:
    """Return a trace of one clean spot: the quickest thing there is to measure."""
    import numpy as np

    x = np.arange(0, 80, 0.25)
    y = 3 * np.exp(-0.5 * ((x - 30) / 1.2) ** 2) + np.random.default_rng(0).normal(0, 0.02, x.size)
    path = tmp_path / "trace.csv"
    path.write_text("".join(f"{a},{b}\n" for a, b in zip(x, y, strict=True)), encoding="utf-8")
    return path


def _snapshot(folder: Path) -> dict[str, bytes | None]:
    return {str(p): p.read_bytes() if p.is_file() and not p.is_symlink() else None
            for p in sorted(folder.rglob("*"))}


@pytest.fixture
def refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Callable[..., str]:
    """Return a function that runs the command, checks how it refuses, and returns the line."""
    from lanes.cli import main

    monkeypatch.chdir(tmp_path)

    def run(*words: object, code: int = 2) -> str:
        before = _snapshot(tmp_path)
        assert main([str(word) for word in words]) == code
        out, err = capsys.readouterr()
        assert out == ""
        assert err.startswith("lanes: ")
        assert err.endswith("\n")
        assert len(err.splitlines()) == 1
        assert "Traceback" not in err
        assert " object at 0x" not in err
        # Two parts: what is wrong, and what mends it.
        assert any(mark in err[7:] for mark in (":", ";", ", so give", " must ")), err
        after = _snapshot(tmp_path)
        if err.rstrip().endswith("plate-unread.png"):
            # The one thing a refusal may leave: a picture to measure on, alone in its folder.
            place = err.rstrip().rpartition("; see ")[2].removesuffix("/plate-unread.png")
            folder = str(tmp_path / place)
            new = {name: data for name, data in after.items() if name not in before}
            assert set(new) == {folder, f"{folder}/plate-unread.png", f"{folder}/written.json"}
            assert (new[f"{folder}/plate-unread.png"] or b"").startswith(b"\x89PNG")
            after = {name: data for name, data in after.items() if name not in new}
            shutil.rmtree(folder)
        assert after == before
        return err[7:].rstrip("\n")

    return run


_FOUND: dict[object, object] = {}


def _once(key: object, find: Callable[[], Any]) -> Any:
    """Return what `find` returned, or raise what it raised, when it was first asked for `key`."""
    from lanes.errors import LanesError

    if key not in _FOUND:
        try:
            _FOUND[key] = find()
        except LanesError as error:
            _FOUND[key] = error
    found = _FOUND[key]
    if isinstance(found, LanesError):
        raise type(found)(str(found))
    return found


def _of(values: Any) -> tuple[object, ...]:
    from hashlib import sha256

    return sha256(values.tobytes()).digest(), values.shape, values.dtype.str


@pytest.fixture(scope="module")
def outlined_once() -> Iterator[None]:
    """Look for the plates in one picture, and for blobs on one layer, once only: for tests of what
    comes after.
    """
    from lanes.plate import blobs, frame

    find_outlines, find_blobs = frame.find_outlines, blobs.find_blobs

    def outlines(light: Any, sample: Any = None) -> Any:
        if sample is not None:  # of the same picture in more pixels, which are not known here
            return find_outlines(light, sample)
        return _once(_of(light), lambda: find_outlines(light))

    def on_layer(seen: Any, grid: Any, bright: bool | None, faintest: float = 1.0) -> Any:
        arrays = (seen.depth, seen.layer, seen.inside, seen.bare, seen.waves)
        return _once((*map(_of, arrays), seen.channels, grid, bright, faintest),
                     lambda: find_blobs(seen, grid, bright, faintest))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(frame, "find_outlines", outlines)
        patch.setattr(blobs, "find_blobs", on_layer)
        yield


@pytest.fixture(scope="module")
def located_once(outlined_once: None) -> Iterator[None]:
    """Look for a picture's plate, lines and lanes once only: for tests of what comes after.

    One picture under the same settings is laid out, or refused, as it was before in this process;
    names and roles, which the layout only carries, are given anew.
    """
    from dataclasses import replace

    from lanes import measuring
    from lanes.about import About
    from lanes.plate.locate import locate, named_lanes

    def layout(scan: Any, settings: Any, light: str = "white") -> Any:
        bare = replace(settings, names=None, roles=None, lane=(), about=About())
        key = (_of(scan.codes), scan.bits, scan.dpi, scan.transfer, scan.camera, bare, light)
        found = _once(key, lambda: locate(scan, bare, light))
        return replace(found, lanes=named_lanes(found.lanes, settings))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(measuring, "locate", layout)
        yield


@pytest.fixture(scope="module")
def few_trials() -> Iterator[None]:
    """Put in few spots to learn what would be missed: for tests of form, not of numbers."""
    from lanes.evidence import detection_limit

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(detection_limit, "RESOLUTIONS", (1.0,))
        patch.setattr(detection_limit, "ROUNDS", 1)
        yield


COARSE_DPI = 120.0  # plates read in half the time of 200, and well enough for what a few can show


@pytest.fixture
def coarse(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Draw the plates of a study in small at `COARSE_DPI`: what is asked of them needs no finer."""
    from dataclasses import replace

    import score  # beside the studies
    from second_hand import studies

    def coarser(draw: Any) -> Any:
        return lambda spec: draw(replace(spec, dpi=min(spec.dpi, COARSE_DPI)))

    for module in {request.module, score}:
        if hasattr(module, "draw"):
            monkeypatch.setattr(module, "draw", coarser(module.draw))
    monkeypatch.setattr(studies, "DPI", COARSE_DPI)
