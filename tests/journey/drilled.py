"""The programs that the drills stop, and the folders in which they run."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

from pipeline.__main__ import run
from pipeline.edges.bags.writer import MemberStream, finish_bag, write_member
from pipeline.edges.ledger import Ledger
from pipeline.edges.staging import Staging
from pipeline.errors import WellreadError
from pipeline.run.crew import FEWEST_FOR_WORKERS
from tests.outside import bag_cases

ROOT = Path(__file__).parents[2]
EPOCH = "1717200000"
SHEET = """\
machine: {id: m, name: M}
custodian: {name: The Loom Museum}
readers: {prog: {kind: device-programmer}}
boards: {main: {name: main board, sockets: [U1, U2]}}
chips:
  - {chip: U1, part: '2716', board: main, socket: U1}
  - {chip: U2, part: '2716', board: main, socket: U2}
  - {chip: U3, part: '2716', state: not-read}
spaces:
  - {name: program, width: 8, placements: [{at: 0, lanes: [U1]}, {at: 2048, lanes: [U2]}]}
rights: {statement: CC0-1.0}
release: {allowed_by: The Loom Museum, ground: decision, documents: [docs/notes.txt]}
"""


def write(arguments: Sequence[str]) -> int:
    """The one writer of bags, without the pipeline before it."""
    with Staging(Path(arguments[0])) as staging:
        entries = [write_member(staging.path, f"data/d{n % 2}/{n}.bin", bytes([n]) * 500) for n in range(6)]
        with MemberStream(staging.path, "metadata/record.json") as stream:
            for part in (b"{", b"}"):
                stream.write(part)
        finish_bag(staging.path, [*entries, stream.entry], [("Source-Organization", "Loom Museum")])
        staging.commit()
    return 0


def add(arguments: Sequence[str]) -> int:
    """Three rows for a ledger, each told once it is there."""
    with Ledger(Path(arguments[0]), {"kind": "opened", "when": "", "tool": ""}) as book:
        for number in range(3):
            head = book.add({"kind": "check", "bag": f"/{number}", "note": "x" * 3000})
            sys.stdout.write(f"added {head}\n")
            sys.stdout.flush()
    return 0


def _told(program: Callable[[Sequence[str]], int]) -> Callable[[Sequence[str]], int]:
    """The program, with the errors of ours told in a line as the command line does."""

    def telling(arguments: Sequence[str]) -> int:
        try:
            return program(arguments)
        except WellreadError as error:
            sys.stderr.write(f"{type(error).__name__} {error}\n")
            return int(error.exit_code)

    return telling


PROGRAMS: dict[str, Callable[[Sequence[str]], int]] = {
    "write": _told(write),
    "add": _told(add),
    "wellread": lambda arguments: run(list(arguments)),
}


def project(folder: Path) -> None:
    """A project of three chips, one unread, with a photograph's place, a document and a stray dump."""
    for name in ("dumps", "docs", "photos"):
        (folder / "m" / name).mkdir(parents=True)
    source = (ROOT / "example_project/dumps/MEM-U1.prog.1.bin").read_bytes()
    for chip in ("U1", "U2"):
        (folder / f"m/dumps/{chip}.prog.1.bin").write_bytes(source)
    (folder / "m/docs/notes.txt").write_bytes(b"read in June\n")
    (folder / "m/photos/board.png").write_bytes(_png())
    (folder / "m/dumps/stray.bin").write_bytes(b"stray" * 9)
    (folder / "m/sheet.yaml").write_text(SHEET, encoding="utf-8")


def many_chips(folder: Path) -> None:
    """A project of so many chips that workers are started for them."""
    (folder / "m/dumps").mkdir(parents=True)
    (folder / "into").mkdir()
    names = [f"C{number}" for number in range(FEWEST_FOR_WORKERS)]
    for number, name in enumerate(names):
        (folder / f"m/dumps/{name}.prog.1.bin").write_bytes(
            bytes([128 | number >> 4, 128 | number & 15]) * 16
        )
    chips = "".join(f"  - {{chip: {name}, organisation: 32x8}}\n" for name in names)
    head = "machine: {id: m, name: M}\nreaders: {prog: {kind: device-programmer}}\nchips:\n"
    (folder / "m/sheet.yaml").write_text(head + chips, encoding="utf-8")


def _png() -> bytes:
    import struct
    import zlib

    def chunk(kind: bytes, content: bytes) -> bytes:
        return (
            struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
        )

    head = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0\0"))
        + chunk(b"IEND", b"")
    )


def edited(folder: Path) -> None:
    """The same project after a correction, beside its first version."""
    project(folder)
    shutil.copytree(packaged() / "m-v1", folder / "into/m-v1")
    (folder / "m/docs/notes.txt").write_bytes(b"read in July\n")


@cache
def packaged() -> Path:
    """A folder with a bag that may be released, made once a process."""
    folder = Path(mkdtemp(prefix="wellread-drill-"))
    project(folder)
    quietly("package", folder / "m", "--into", folder)
    return folder


def damaged_shelf(folder: Path) -> None:
    """A damaged bag, a whole copy of it, and a ledger that remembers the bag as it was."""
    bag_cases.bag(folder / "bag", {f"data/{number}.bin": bytes([number]) * 300 for number in range(3)})
    shutil.copytree(folder / "bag", folder / "copy")
    quietly("recheck", folder / "bag", folder / "copy", "--ledger", folder / "l", "--new-ledger")
    (folder / "bag/data/0.bin").write_bytes(b"damaged")
    (folder / "bag/bag-info.txt").unlink()


def quietly(*arguments: str | Path) -> None:
    """A command in this process that must end well, its clock fixed."""
    before = os.environ.get("SOURCE_DATE_EPOCH")
    os.environ["SOURCE_DATE_EPOCH"] = EPOCH
    try:
        assert run([*map(str, arguments), "--quiet"]) == 0
    finally:
        del os.environ["SOURCE_DATE_EPOCH"]
        if before is not None:
            os.environ["SOURCE_DATE_EPOCH"] = before


def warm(folder: Path) -> None:
    """Everything is loaded that the programs load."""
    (folder / "shelf").mkdir()
    damaged_shelf(folder / "shelf")
    shelf = folder / "shelf"
    quietly("mend", shelf / "bag", "--from", shelf / "copy", "--ledger", shelf / "l")
    quietly("ledger", shelf / "l", "--csv", shelf / "l.csv", "--premis", shelf / "l.xml")
    (folder / "p").mkdir()
    edited_at = folder / "p"
    edited(edited_at)
    quietly("package", edited_at / "m", "--into", edited_at / "into")
    quietly("release", edited_at / "into/m-v2", "--into", edited_at)
    shutil.rmtree(packaged())
    packaged.cache_clear()
