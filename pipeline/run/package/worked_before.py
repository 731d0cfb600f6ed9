"""What an earlier run made of a chip or of a board, taken again where every input is the same to the byte.

A piece stands under a digest over all that the work on one chip hangs on: the content of each of its files,
all that the sheet says of the chip, its readings, the readers and their wires, its part as the catalogue has
it, and the program with the libraries that it counts with. Work that other chips reach is never kept. What is
taken is held against the digests of the files that were read just now, and the image against its own; what
does not fit is worked out again. Which chips of a board belong side by side stands under a digest over their
images and all else that is compared.
"""

from __future__ import annotations

import hashlib
import io
import json
import pickle
import platform
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from pipeline.edges.packs import Packs, PieceAt, packs_of
from pipeline.edges.program_digest import program_digest
from pipeline.flow import Plan, PlannedChip
from pipeline.machine import Contribution
from pipeline.stages.content.among_chips import Join

if TYPE_CHECKING:
    from schemas.record import ChipRecord

_LIBRARIES = ("numpy", "pydantic", "rapidfuzz", "scipy")
"""Whose arithmetic, or whose reading of a sheet, the work on a chip hangs on."""
_PURE = (
    "pipeline.flow",
    "pipeline.machine",
    "pipeline.lines.",
    "pipeline.stages.",
    "pipeline.street",
    "schemas.",
)
"""Modules whose classes are values: making one does nothing else."""
_OF_NUMPY = frozenset(
    [
        ("numpy", "dtype"),
        ("numpy", "ndarray"),
        ("numpy._core.multiarray", "_reconstruct"),
        ("numpy._core.multiarray", "scalar"),
        ("numpy._core.numeric", "_frombuffer"),
    ]
)
_MOST_WAITING_BYTES = 4 << 20
"""So much of new pieces is held at most, but for one that is larger by itself."""
_MOST_STALE = 16
"""More pieces a chip than this are mostly of earlier contents; then all of them go."""
_JOINS = "joins "
"""What the key of a board begins with."""


class Made(NamedTuple):
    """What the work on one chip made, as it is handed on and as it is kept.

    Not compressed: the words of a chip hardly get shorter, and it took longer than all the rest of keeping.

    Attributes:
        line: Its record as a line of JSON, before all chips together are heard.
        given: What it brings to the machine, a `Contribution`; pickled.
        kept: Ending → content of each file that lies beside the bag until the image is placed.
    """

    line: bytes
    given: bytes
    kept: Mapping[str, bytes]


class MadeBefore(NamedTuple):
    """What an earlier run made of a chip.

    Attributes:
        made: As it was kept.
        record: What its line says.
        given: What it brings to the machine; making it called nothing but our own values and numpy's.
    """

    made: Made
    record: ChipRecord
    given: Contribution


@dataclass(frozen=True, slots=True)
class Before:
    """What earlier runs left, as a worker needs it.

    Attributes:
        packs: Where it lies.
        common: Digest over what is the same for all chips.
        index: Key → place.
    """

    packs: Packs
    common: str
    index: Mapping[str, PieceAt]

    def key(self, planned: PlannedChip, names: Mapping[str, str], digests: Mapping[str, str]) -> str:
        """What the work on a chip hangs on.

        Args:
            planned: The chip.
            names: Path in the project folder → path in the bag.
            digests: Path in the project folder → SHA-256 of the file, of each that its readings name.
        """
        said = [
            self.common,
            planned.chip.model_dump_json(),
            str(planned.organisation),
            planned.part.model_dump_json() if planned.part else None,
            planned.erased_state,
            planned.processor,
            [[one.reading, one.reader, one.files, one.row.model_dump_json()] for one in planned.readings],
            [[path, names.get(path, path), digests[path]] for path in planned.files],
        ]
        return hashlib.sha256(json.dumps(said).encode()).hexdigest()

    def find(self, key: str) -> MadeBefore | None:
        """What was made of a chip with this key; None where it is not there, or not whole."""
        piece = self._piece(key)
        return None if piece is None else _unpacked(piece)

    def joins_key(self, board: object, images: Sequence[str]) -> str:
        """What chips of a board that belong side by side hang on.

        Args:
            board: Its chips as they are compared; its `repr` tells every value whole.
            images: SHA-256 of the image of each.
        """
        said = "\n".join((self.common, repr(board), *images))
        return _JOINS + hashlib.sha256(said.encode()).hexdigest()

    def find_joins(self, key: str) -> tuple[Join, ...] | None:
        """What was found for a board with this key; None where it is not there, or not whole."""
        piece = self._piece(key)
        return None if piece is None else _unpacked_joins(piece)

    def of_joins(self) -> Before:
        """The same for boards alone: a worker is handed what it may ask for."""
        return replace(self, index={key: at for key, at in self.index.items() if key.startswith(_JOINS)})

    def _piece(self, key: str) -> bytes | None:
        place = self.index.get(key)
        return None if place is None else self.packs.read(place)

    def pack_of(self, key: str) -> str:
        """The pack that a key's piece lies in."""
        return self.index[key].pack


class Keeping:
    """What is made of chips, put into packs as it comes.

    Args:
        before: Where it is kept; None: nowhere.
    """

    def __init__(self, before: Before | None) -> None:
        self._before = before
        self._waiting: list[tuple[str, bytes]] = []
        self._told: list[Callable[[str], None]] = []

    def add(self, key: str, made: Made | tuple[Join, ...], tell: Callable[[str], None]) -> None:
        """One chip, or one board.

        Args:
            key: Of what it was made of.
            made: What was made.
            tell: Is told the pack's name once it is written, or "" where the disk did not take it.
        """
        self._waiting.append((key, _packed(made)))
        self._told.append(tell)
        if sum(len(piece) for _, piece in self._waiting) >= _MOST_WAITING_BYTES:
            self.write()

    def write(self) -> None:
        """Write what waits."""
        if self._before is None or not self._waiting:
            return
        pack = self._before.packs.write(self._waiting)
        for tell in self._told:
            tell(pack)
        self._waiting, self._told = [], []


def worked_before(project: Path, plan: Plan) -> Before | None:
    """What earlier runs left of a project; None where nothing is to be kept.

    Args:
        project: Its folder.
        plan: Of it.
    """
    packs = packs_of(project)
    if packs is None:
        return None
    from importlib.metadata import version  # the worker that takes a piece again needs none of it

    try:
        # Not `platform.platform()`: it starts a process to ask for the processor's name, which it leaves out.
        here = platform.uname()
        common = [program_digest(), sys.version, here.system, here.release, here.machine, here.node]
        common += platform.libc_ver()
        common += [f"{name} {version(name)}" for name in _LIBRARIES]
    except (OSError, ImportError):  # nobody can say what the program is
        return None
    common.append(plan.sheet.model_dump_json(include={"readers", "wirings", "parts"}))
    index = packs.index()
    if len(index) > _MOST_STALE * len(plan.chips):
        packs.keep_only(())
        index = {}
    return Before(packs, hashlib.sha256(json.dumps(common).encode()).hexdigest(), index)


def _packed(made: tuple[object, ...]) -> bytes:
    return pickle.dumps(tuple(made), pickle.HIGHEST_PROTOCOL)


def _unpacked(piece: bytes) -> MadeBefore | None:
    try:
        made = Made(*_values(piece))
        return MadeBefore(made, json.loads(made.line), _values(made.given))
    except _NOT_OURS:
        return None


def _unpacked_joins(piece: bytes) -> tuple[Join, ...] | None:
    try:
        found = _values(piece)
    except _NOT_OURS:
        return None
    return found if isinstance(found, tuple) and all(isinstance(one, Join) for one in found) else None


def _values(pickled: bytes) -> Any:  # whatever was pickled
    return _Values(io.BytesIO(pickled)).load()


_NOT_OURS = (
    pickle.UnpicklingError,
    EOFError,
    ValueError,
    TypeError,
    AttributeError,
    KeyError,
    IndexError,
    ImportError,
    OverflowError,
    MemoryError,
)
"""What reading a piece may raise that another program wrote."""


class _Values(pickle.Unpickler):
    """Makes plain values, numpy's arrays and our own values, and calls nothing else."""

    def find_class(self, module: str, name: str) -> Any:  # whatever class it is
        """A class that may be made.

        Raises:
            UnpicklingError: It may not.
        """
        if (module, name) in _OF_NUMPY:
            return super().find_class(module, name)
        if module.startswith(_PURE) and "." not in name:
            kind: Callable[..., object] = super().find_class(module, name)
            if isinstance(kind, type):
                return kind
        raise pickle.UnpicklingError(f"{module}.{name}")
