"""Files that are put together of pieces hold these and nothing else, whichever process does it."""

from __future__ import annotations

import os
import time
from array import array
from collections.abc import Sequence
from hashlib import sha256, sha512
from pathlib import Path

import pytest

from pipeline.bags.observed import BagEntry
from pipeline.edges.bags.pieced import Pieced, Stretches, set_aside, write_pieced
from pipeline.edges.bags.writer import CHUNK_BYTES
from pipeline.errors import DestinationError, StorageError
from pipeline.run.crew import FEWEST_FOR_WORKERS, Crew, worker_count

LARGE = bytes(range(256)) * (CHUNK_BYTES // 256) + b"end"


@pytest.fixture
def pieced(tmp_path: Path) -> Pieced:
    source = tmp_path / "source"
    source.write_bytes(b"0123456789" + LARGE)
    return Pieced(
        "metadata/x", [b"<", Stretches(str(source), array("Q", [8, 2, 0, 3, 5, 0, 10, len(LARGE)])), b">"]
    )


@pytest.mark.parametrize("items", [0, FEWEST_FOR_WORKERS], ids=["here", "in another process"])
def test_pieces_come_one_after_the_other_and_the_entry_is_of_what_landed(
    items: int, pieced: Pieced, tmp_path: Path
) -> None:
    (tmp_path / "bag").mkdir()
    with Crew(items=items, folder=tmp_path, workers=1) as crew:
        found = list(crew.each(write_pieced, tmp_path / "bag", [pieced], batch=1))
    wanted = b"<89012" + LARGE + b">"
    assert (tmp_path / "bag/metadata/x").read_bytes() == wanted
    assert pieced.size_bytes == len(wanted)
    digests = sha256(wanted).hexdigest(), sha512(wanted).hexdigest()
    assert found == [BagEntry("metadata/x", len(wanted), *digests)]


@pytest.mark.parametrize("items", [0, FEWEST_FOR_WORKERS], ids=["here", "in another process"])
def test_what_cannot_be_put_together_is_told(items: int, pieced: Pieced, tmp_path: Path) -> None:
    gone = Pieced("metadata/y", [Stretches(str(tmp_path / "gone"), array("Q", [0, 1]))])
    with Crew(items=items, folder=tmp_path, workers=1) as crew:
        with pytest.raises(StorageError):
            list(crew.each(write_pieced, tmp_path, [gone], batch=1))
        with pytest.raises(DestinationError):
            list(crew.each(write_pieced, tmp_path, [pieced, pieced], batch=1))


def test_parts_set_aside_by_several_processes_come_together_as_they_are_asked_for(tmp_path: Path) -> None:
    here = [set_aside(tmp_path, {"a": b"first ", "b": b"1"}), set_aside(tmp_path, {"b": b"2", "a": b"last"})]
    with Crew(items=FEWEST_FOR_WORKERS, folder=tmp_path, workers=1) as crew:
        there = list(crew.each(_aside, (tmp_path, os.getpid()), [b"other ", b""], batch=1))
    parts = [here[0]["a"], *there, here[1]["a"], here[0]["b"], here[1]["b"]]
    assert b"".join(Pieced("x", parts).chunks()) == b"first other last12"
    assert len({one.file for one in parts}) == min(2, worker_count()), "on one core this process does it all"


def _aside(shared: tuple[Path, int], parts: Sequence[bytes]) -> list[Stretches]:
    """The process that began the others leaves them time to take some."""
    folder, begun_by = shared
    if os.getpid() == begun_by:
        time.sleep(0.5)
    return [set_aside(folder, {"a": part})["a"] for part in parts]
