"""Bytes dropped and doubled at random, one or many: none is taken in silence.

In protocol form a pass is refused or its words are right all the same. In plain form nothing proves a line,
so the promise is smaller: what changes the length of a pass, or lets passes disagree, is told. Both are held
against the decoders and stages that capture and packaging use.
"""

from __future__ import annotations

import random
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.bench.stream import Watch
from pipeline.errors import FormatError
from pipeline.formats import Declared, decode
from pipeline.run.bench.captured import problems_of, understand
from pipeline.run.look.files import examine_files
from schemas.names import Organisation
from schemas.sheet import Reader
from tests.kit.examples import examples
from tests.kit.reader_simulated import plainly, printed

IMAGE = random.Random(4).randbytes(128)
WIDE = [random.Random(5).randrange(1 << 12) for _ in range(64)]
Burst = tuple[float, int, bool]

BURSTS = st.lists(
    st.tuples(st.floats(0, 1, exclude_max=True), st.one_of(st.just(1), st.integers(1, 60)), st.booleans()),
    min_size=1,
    max_size=5,
)
"""Where in the stream (as a share of it), how many bytes, and whether they come twice or not at all."""


def damaged(stream: bytes, bursts: list[Burst]) -> bytes:
    """The stream with these bytes doubled or dropped, the last first, so that places stay what they were."""
    for share, size, doubled in sorted(bursts, reverse=True):
        at = int(share * len(stream))
        piece = stream[at : at + size]
        stream = stream[:at] + (piece * 2 if doubled else b"") + stream[at + size :]
    return stream


def passes_of(content: bytes, bits: int, words: int) -> list[list[int]]:
    decoded = decode(content, Declared(bits=bits, words=words))
    return [[int(word) for block in run for word in block.words] for run in decoded.runs]


@given(bursts=BURSTS)
def test_damage_never_changes_a_word_in_protocol_form(bursts: list[Burst]) -> None:
    stream = b"".join(b"".join(printed(IMAGE, number)) for number in (1, 2, 3))
    try:
        found = passes_of(damaged(stream, bursts), 8, len(IMAGE))
    except FormatError:
        return
    assert 1 <= len(found) <= 3
    assert all(bytes(one) == IMAGE for one in found)


@given(bursts=BURSTS)
def test_the_same_holds_for_words_of_twelve_bits(bursts: list[Burst]) -> None:
    stream = b"".join(b"".join(printed(WIDE, number, bits=12, a_line=8)) for number in (1, 2, 3))
    try:
        found = passes_of(damaged(stream, bursts), 12, len(WIDE))
    except FormatError:
        return
    assert all(one == WIDE for one in found)


@given(bursts=BURSTS)
def test_what_is_followed_as_complete_decodes_to_the_passes_wanted(bursts: list[Burst]) -> None:
    """Capture ends by what it follows and reads by what it decodes: the two must never part."""
    stream = b"".join(b"".join(printed(IMAGE, number)) for number in (1, 2, 3))
    watch = Watch(len(IMAGE), 8, 2)
    content = damaged(stream, bursts)
    watch.feed(content)
    if watch.complete:
        assert len(passes_of(content, 8, len(IMAGE))) >= 2


def test_every_single_dropped_or_doubled_byte_is_detected_in_protocol_form() -> None:
    """One byte of a pass lost or doubled, anywhere.

    The pass is refused, or its image is right all the same.
    """
    image = IMAGE[:64]
    stream = b"".join(printed(image))
    accepted = 0
    for at in range(len(stream)):
        for changed in (stream[:at] + stream[at + 1 :], stream[:at] + stream[at : at + 1] + stream[at:]):
            try:
                found = passes_of(changed, 8, 64)
            except FormatError:
                continue
            accepted += 1
            assert [bytes(one) for one in found] == [image]
    # only a doubled line feed, or the last one lost, leaves every line whole
    assert accepted <= stream.count(b"\n") + 1


def listed(image: bytes, number: int) -> bytes:
    head = f"PASS {number}\r\n".encode()
    return head + b"".join(
        f"{at:04X}: {image[at : at + 16].hex(' ').upper()}\r\n".encode() for at in range(0, len(image), 16)
    )


MANNERS: dict[str, Callable[[bytes, int], bytes]] = {
    "pairs": lambda image, number: b"".join(plainly(image, number)),
    "run-on": lambda image, number: (
        b"".join(plainly(image, number)).replace(b" ", b"").replace(b"--", b"-- ")
    ),
    "one a line": lambda image, number: b"".join(plainly(image, number, a_line=1)),
    "marked": lambda image, number: (
        f"pass {number}\n".encode()
        + b"".join(
            ", ".join(f"0x{byte:02x}" for byte in image[at : at + 8]).encode() + b",\n"
            for at in range(0, len(image), 8)
        )
    ),
    "with addresses": listed,
}
"""How home-built readers print that prove nothing."""


def told(content: bytes) -> bool:
    """Whether a capture of this log ends in an error, a problem, or a finding that asks for a person."""
    organisation = Organisation(len(IMAGE), 8)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "U1.hb.1.raw"
        path.write_bytes(content)
        try:
            understood = understand(path, "U1", organisation, Reader())
            examined = examine_files([path], part=None, organisation=str(organisation))
        except FormatError:
            return True
    problems = problems_of(understood, Watch(len(IMAGE), 8, 3), 3, None)
    grave = [one for one in examined["findings"] if one["severity"] != "note"]
    return bool(problems or grave or examined["contested"])


@pytest.mark.parametrize("manner", MANNERS)
def test_a_healthy_plain_log_has_nothing_to_be_told(manner: str) -> None:
    assert not told(b"".join(MANNERS[manner](IMAGE, number) for number in (1, 2, 3)))


@pytest.mark.parametrize("manner", MANNERS)
@settings(max_examples=examples(0.25))
@given(bursts=BURSTS)
def test_damage_is_told_in_plain_form_where_lengths_or_passes_differ(
    manner: str, bursts: list[Burst]
) -> None:
    stream = damaged(b"".join(MANNERS[manner](IMAGE, number) for number in (1, 2, 3)), bursts)
    try:
        found = passes_of(stream, 8, len(IMAGE))
    except FormatError:
        return
    if (
        any(len(one) != len(IMAGE) for one in found)
        or len(found) < 3
        or any(one != found[0] for one in found)
    ):
        assert told(stream)
    else:
        # the same change in every pass would be needed for a wrong word here
        assert all(bytes(one) == IMAGE for one in found)
