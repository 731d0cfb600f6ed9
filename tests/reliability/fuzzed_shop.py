"""The place in which whole commands are fuzzed, and how each of them is run and judged.

A project, its bag, copies of that and a ledger are made once; an input replaces one file of them, its
digests made to fit, and afterwards everything lies there as before. The judges share no code with the
program: a reader written from RFC 8493, the standard library's archives and SQLite, Pillow.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import random
import shutil
import sqlite3
import tarfile
import tempfile
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from pipeline.__main__ import BUG
from tests.journey import drilled
from tests.journey.cli import Ran, wellread
from tests.journey.hostile import TooLongError, within
from tests.outside import bag_cases, rfc8493

HANG_SECONDS = 10
"""Of the processor's time."""
MOST_MEGABYTES = 500
EXIT_CODES = frozenset([0, 1, 2, *range(10, 29)])
"""What the README lists, but for a bug (70) and an interruption (130)."""
HIDDEN = b"Hidden by the camera at 51.4779N"
_ITSELF_MEGABYTES = 150
"""What the program takes before it reads anything, all libraries loaded; measured."""
Tree = dict[str, bytes]


class Wrong(AssertionError):  # noqa: N818 - an assertion that failed
    """What a judge found: its kind and the evidence."""

    def __init__(self, kind: str, said: str) -> None:
        super().__init__(f"{kind}: {said}")
        self.kind = kind


@dataclass
class Shop:
    """A folder with everything that commands work on.

    Attributes:
        root: The folder.
        codes: Command → exit code → how often.
    """

    root: Path = field(default_factory=lambda: Path(tempfile.mkdtemp(prefix="wellread-fuzz-")))
    codes: dict[str, dict[int, int]] = field(default_factory=dict)

    def __enter__(self) -> Self:
        drilled.project(self.root)
        self.project = self.root / "m"
        _two_programs(self.project)
        (self.project / "photos/board.jpg").write_bytes(_jpeg())
        _quietly("package", self.project, "--into", self.root)
        self.bag = self.root / "m-v1"
        self.copy, self.damaged = self.root / "copy", self.root / "damaged"
        bag_cases.bag(self.copy, {f"data/{number}.bin": bytes([number]) * 40 for number in range(3)})
        self.ledger = self.root / "l"
        _quietly("recheck", self.bag, self.copy, "--ledger", self.ledger, "--new-ledger")
        self.rows = rows_of(self.ledger)
        self.given = _tree(self.project)
        self.packed = {"zip": _zipped(self.copy), "tar": _tarred(self.copy)}
        self.whole, self.record = _tree(self.copy), (self.bag / "metadata/record.json").read_bytes()
        self.mark = self.root / "sentinel"
        self.mark.write_bytes(b"nobody writes here")
        self.names = {path.name for path in self.root.iterdir()}
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        shutil.rmtree(self.root, ignore_errors=True)

    def run(self, *arguments: str | Path) -> Ran:
        """One command, held to what holds for every command on every input.

        Raises:
            Wrong: A traceback, a hang, too much memory, an unknown exit code, or a control character on the
            terminal.
        """
        told = " ".join(str(each) for each in arguments[:1])
        before = _memory(reset=True)
        try:
            with within(HANG_SECONDS):
                ran = wellread(*arguments)
        except TooLongError as error:
            raise Wrong("hang", told) from error
        grown = _memory() - before
        if "TooLongError" in ran.err:
            raise Wrong("hang", told)
        if ran.code == BUG or "Traceback" in ran.err:
            raise Wrong("traceback", f"{told}: {ran.err[-1500:]}")
        if grown + _ITSELF_MEGABYTES > MOST_MEGABYTES:
            raise Wrong("memory", f"{told}: grew by {grown} MB")
        if ran.code not in EXIT_CODES:
            raise Wrong("exit code", f"{told}: {ran.code}")
        if odd := [char for char in ran.out + ran.err if _controls(char)]:
            raise Wrong("control characters", f"{told}: {odd[:5]!r} in {(ran.out + ran.err)[:400]!r}")
        counted = self.codes.setdefault(told, {})
        counted[ran.code] = counted.get(ran.code, 0) + 1
        return ran

    def tidy(self) -> None:
        """Take away what the last input left, and hold that nothing was written where nobody may.

        Raises:
            Wrong: Something lies where no command was told to write.
        """
        for path in [*self.root.glob("out*"), *self.root.glob("m.*"), *self.root.glob("damaged*")]:
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        strangers = {path.name for path in self.root.iterdir()} - self.names
        if strangers or self.mark.read_bytes() != b"nobody writes here":
            for name in strangers:
                path = self.root / name
                shutil.rmtree(path) if path.is_dir() and not path.is_symlink() else path.unlink()
            raise Wrong("wrong acceptance", f"written beside: {sorted(strangers)}")

    @contextlib.contextmanager
    def put(
        self, changes: Mapping[str, bytes | None], folder: Path, *, sealed: bool = False
    ) -> Iterator[None]:
        """Files of a folder for the time of a block: others, or none (None); then as before."""
        before = {
            name: (folder / name).read_bytes() if (folder / name).exists() else None for name in changes
        }
        guards = {path: path.read_bytes() for path in folder.glob("tagmanifest-*.txt")}
        _write(folder, changes)
        if sealed:
            bag_cases.seal(folder)
        try:
            yield
        finally:
            _write(folder, before)
            for path, content in guards.items():
                path.write_bytes(content)


def _write(folder: Path, files: Mapping[str, bytes | None]) -> None:
    for name, content in files.items():
        if content is None:
            (folder / name).unlink(missing_ok=True)
        else:
            (folder / name).write_bytes(content)


def _quietly(*arguments: str | Path) -> None:
    ran = wellread(*arguments, "--quiet")
    assert ran.code == 0, ran.err


def _controls(char: str) -> bool:
    return (ord(char) < 32 and char not in "\n\t") or 127 <= ord(char) < 160


def _memory(*, reset: bool = False) -> int:
    """The most memory of this process since it was reset, in MB; 0 where the system does not tell.

    Source: proc(5) of the Linux manual, clear_refs and VmHWM.
    """
    try:
        if reset:
            Path("/proc/self/clear_refs").write_text("5")
        status = Path("/proc/self/status").read_text()
    except OSError:
        return 0
    return int(status.partition("VmHWM:")[2].split()[0]) // 1024


def _two_programs(project: Path) -> None:
    """Chips of different content, so that one cannot pass for the other."""
    dice = random.Random(5)
    for chip in ("U1", "U2"):
        half = bytes(dice.choice(b"\x3e\xcd\x21\x00\xc9\x10\x32\xfe") for _ in range(1200))
        (project / f"dumps/{chip}.prog.1.bin").write_bytes(half + b"\xff" * 848)


def _jpeg() -> bytes:
    from PIL import Image

    held = io.BytesIO()
    Image.new("RGB", (16, 16), (200, 100, 50)).save(held, "JPEG")
    return held.getvalue()


def _tree(folder: Path) -> Tree:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def _zipped(folder: Path) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in _tree(folder).items():
            packed.writestr(f"{folder.name}/{name}", content)
    return held.getvalue()


def _tarred(folder: Path) -> bytes:
    held = io.BytesIO()
    with tarfile.open(fileobj=held, mode="w") as packed:
        packed.add(folder, folder.name)
    return held.getvalue()


def copied(shop: Shop, ledger: Path) -> Path:
    """A ledger to which rows may be added."""
    return Path(shutil.copyfile(ledger, shop.root / "out.ledger"))


# --- judges -----------------------------------------------------------------------------------------------


def valid_bag(bag: Path, where: str) -> None:
    """Hold a bag that was called valid against a reader of RFC 8493.

    Raises:
        Wrong: It is not valid.
    """
    if said := rfc8493.problems(bag):
        raise Wrong("wrong acceptance", f"{where}: {said[:3]}")


def holds_all(bag: Path, files: Tree) -> None:
    """Hold a packaged bag against the project: every file is in its payload, byte for byte.

    Raises:
        Wrong: One is not.
    """
    packed = {
        hashlib.sha256(content).digest() for path, content in _tree(bag).items() if path.startswith("data/")
    }
    for name, content in files.items():
        if hashlib.sha256(content).digest() not in packed:
            raise Wrong("wrong acceptance", f"packaged without {name}")


def as_the_record_says(record: Any, out: Path) -> None:
    """Hold a reopened project against the record that it was reopened by: each name has the content of its
    digest.

    Raises:
        Wrong: One has another.
    """
    stored = list(_stored(record))
    assert stored
    for one in stored:
        found = hashlib.sha256((out / one["original_name"]).read_bytes()).hexdigest()
        if found != one["sha256"]:
            raise Wrong("wrong acceptance", f"reopened {one['original_name']} is not what the record says")


def _stored(value: Any) -> Iterator[dict[str, str]]:
    """Every file of a project that a record, whatever its shape, tells of."""
    if isinstance(value, dict):
        if isinstance(value.get("original_name"), str) and isinstance(value.get("sha256"), str):
            yield value
        value = [*value.values()]
    if isinstance(value, list):
        for each in value:
            yield from _stored(each)


def rows_of(ledger: Path) -> list[tuple[Any, ...]] | None:
    """The rows of a ledger as SQLite gives them; None where it gives none."""
    base = sqlite3.connect(f"{ledger.as_uri()}?mode=ro&immutable=1", uri=True)
    try:
        return base.execute("SELECT number, previous, digest, bag, body FROM rows ORDER BY number").fetchall()
    except (sqlite3.Error, UnicodeDecodeError):
        return None
    finally:
        base.close()


def packed_files(kind: str, content: bytes) -> list[tuple[str, bytes]] | None:
    """Every file in an archive, doubled names doubled; None where the library cannot read it."""
    try:
        if kind == "zip":
            with zipfile.ZipFile(io.BytesIO(content)) as packed:
                return [(one.filename, packed.read(one)) for one in packed.infolist() if not one.is_dir()]
        with tarfile.open(fileobj=io.BytesIO(content)) as opened:
            return [(one.name, _read(opened, one)) for one in opened.getmembers() if one.isfile()]
    except Exception:  # noqa: BLE001 - whatever a library says of a damaged archive, it could not read it
        return None


def _read(opened: tarfile.TarFile, one: tarfile.TarInfo) -> bytes:
    stream = opened.extractfile(one)
    assert stream is not None
    return stream.read()


def dots(content: bytes) -> bytes | None:
    """What a photograph shows; None where it cannot be shown."""
    from PIL import Image

    try:
        with Image.open(io.BytesIO(content)) as shown:
            return shown.convert("RGB").tobytes()
    except Exception:  # noqa: BLE001 - whatever a library says of a damaged photograph
        return None


def loaded(raw: bytes) -> Any:
    """A JSON text's value; None where it is none."""
    try:
        return json.loads(raw)
    except (ValueError, RecursionError):
        return None
