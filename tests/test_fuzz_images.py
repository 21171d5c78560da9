"""Images whose headers lie: a reading or one clear line, within bounded time and memory."""

from __future__ import annotations

import resource
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from lanes.cli import main
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save

pytestmark = pytest.mark.usefixtures("located_once")
KINDS = ("png", "tif", "jpg", "bmp", "webp")
HEADER = 220  # bytes in which sizes, depths and tags stand


@pytest.fixture(scope="module")
def images(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Return one small plate in every format, by suffix."""
    folder = tmp_path_factory.mktemp("images")
    spec = PlateSpec(width=30, height=40, origin=8, front=33, dpi=100,
                     lanes=(LaneSpec(10, (SpotSpec(0.4, 1.5),)), LaneSpec(20)))
    save(draw(spec), folder / "plate.png")
    with Image.open(folder / "plate.png") as image:
        plain = image.convert("RGB")
    out = {}
    for kind in KINDS:
        # WebP at its usual quality leaves the layer no grain, and a fit of that takes long.
        plain.save(folder / f"other.{kind}", dpi=(100, 100),
                   **({"quality": 100} if kind == "webp" else {}))
        out[kind] = (folder / f"other.{kind}").read_bytes()
    return out


def damaged(raw: bytes, seed: int) -> bytes:
    """Return `raw` with a few header bytes changed, now and then cut or with its tail doubled."""
    rng = np.random.default_rng(seed)
    out = bytearray(raw)
    for _ in range(int(rng.integers(1, 5))):
        place = int(rng.integers(4, min(HEADER, len(out))))
        out[place] = int(rng.choice([0, 1, 0x7F, 0x80, 0xFF, int(rng.integers(256))]))
    if seed % 5 == 0:
        del out[int(rng.integers(8, len(out))):]
    if seed % 7 == 0:
        out += out[len(out) // 2:]
    return bytes(out)


@pytest.mark.parametrize("kind", KINDS)
def test_undamaged_each_is_read(images: dict[str, bytes], tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"plate.{kind}"
    path.write_bytes(images[kind])
    assert main(["measure", str(path), "--light", "white"]) == 0


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("block", range(4))
def test_a_damaged_header_ends_in_a_reading_or_one_line(
    images: dict[str, bytes], tmp_path: Path, capfd: pytest.CaptureFixture[str], kind: str,
    block: int,
) -> None:
    path = tmp_path / f"plate.{kind}"
    for seed in range(12 * block, 12 * block + 12):
        path.write_bytes(damaged(images[kind], seed))
        code = main(["measure", str(path), "--light", "white"])
        printed, error = capfd.readouterr()
        assert code in (0, 2), (kind, seed)
        if code == 2:
            assert printed == "", (kind, seed)
            assert error.startswith("lanes: "), (kind, seed)
            assert error.count("\n") == 1, (kind, seed, error)
        assert [p.name for p in tmp_path.iterdir()] == [path.name]


def _png(width: int, height: int, text: bytes = b"") -> bytes:
    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return (b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + text
            + chunk(b"IDAT", zlib.compress(bytes(1000))) + chunk(b"IEND", b""))


def _bomb_text() -> bytes:
    data = b"note\0\0" + zlib.compress(bytes(200_000_000))
    body = b"zTXt" + data
    return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))


def _tiff(width: int, height: int, count: int) -> bytes:
    tags = [(256, 4, 1, width), (257, 4, 1, height), (258, 3, 1, 8), (259, 3, 1, 1),
            (262, 3, 1, 1), (273, 4, count, 8), (278, 4, 1, height), (279, 4, 1, 100)]
    body = b"".join(struct.pack("<HHII", *tag) for tag in tags)
    return b"II*\0\x08\0\0\0" + struct.pack("<H", len(tags)) + body + bytes(4)


def _liars() -> dict[str, bytes]:
    """Return the files by name: made in the test, since the bomb takes a second to pack."""
    return {
        "wide.png": _png(2**31 - 1, 2**31 - 1),
        "large.png": _png(60_000, 60_000),
        "short.png": _png(3000, 3000),
        "text.png": _png(300, 300, _bomb_text()),
        "size.tif": _tiff(2**32 - 1, 2**32 - 1, 1),
        "tag.tif": _tiff(300, 300, 2**31),
    }


# One process for all: of memory it may take what one is allowed.
ASKED = """
import sys
from lanes.cli import main
for name in sys.argv[1:]:
    print(main(["measure", name]), flush=True)
"""


def test_lying_sizes_cost_neither_memory_nor_time(tmp_path: Path) -> None:
    liars = _liars()
    for name, raw in liars.items():
        (tmp_path / name).write_bytes(raw)

    def bound() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))

    done = subprocess.run([sys.executable, "-c", ASKED, *liars], cwd=tmp_path, capture_output=True,
                          text=True, timeout=60, preexec_fn=bound, check=False)
    assert done.stdout == "2\n" * len(liars), done.stderr
    lines = done.stderr.splitlines()
    assert len(lines) == len(liars)
    for name, line in zip(liars, lines, strict=True):
        assert line.startswith("lanes: "), name
