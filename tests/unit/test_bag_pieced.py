"""Files that are put together of pieces hold these and nothing else, whichever process does it."""

from __future__ import annotations

from array import array
from hashlib import sha256, sha512
from pathlib import Path

import pytest

from pipeline.bags.observed import BagEntry
from pipeline.edges.bags.pieced import Pieced, Stretches, write_pieced
from pipeline.edges.bags.writer import CHUNK_BYTES
from pipeline.errors import DestinationError, StorageError
from pipeline.run.crew import FEWEST_FOR_WORKERS, Crew

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
