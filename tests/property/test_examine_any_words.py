"""Whatever lies in a chip, examining it gives findings that point inside it, and never raises."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.catalogue import load
from pipeline.flow import Pass, Subject
from pipeline.stages.examine import examine
from pipeline.words import words_dtype
from schemas.finding import Finding
from tests.kit.images import FAMILIES
from tests.kit.subjects import passes_of, subject_of

Words = NDArray[np.unsignedinteger[Any]]


@st.composite
def images(draw: st.DrawFn) -> tuple[list[Words], int]:
    """One to three passes of any size and width: noise, repeats of a few words, or bytes as drawn."""
    bits = draw(st.sampled_from([1, 2, 4, 5, 8, 9, 12, 16, 32, 40, 64]))
    words = draw(st.integers(min_value=1, max_value=300))
    random = np.random.default_rng(draw(st.integers(0, 1 << 30)))
    dtype = words_dtype(bits)
    alphabet = random.integers(0, 1 << bits, draw(st.integers(1, 40)), dtype=np.uint64)
    base = alphabet[random.integers(0, alphabet.size, words)].astype(dtype)
    if bits == 8 and draw(st.booleans()):
        stream = draw(st.binary(min_size=words, max_size=words))
        base = np.frombuffer(stream, dtype=np.uint8).copy()
    passes = [base]
    for _ in range(draw(st.integers(0, 2))):
        other = base.copy()
        at = random.integers(0, words, draw(st.integers(0, 20)))
        other[at] = alphabet[random.integers(0, alphabet.size, at.size)].astype(dtype)
        passes.append(np.roll(other, draw(st.sampled_from([0, 0, 1, -1, 7]))))
    return passes, bits


def _check(findings: tuple[Finding, ...], subject: Subject) -> None:
    lines = subject.organisation.address_bits
    for one in findings:
        named = [*one.where.get("lines", ()), *([one.where["line"]] if "line" in one.where else ())]
        for line in named:
            assert int(line[1:]) < (subject.organisation.bits if line[0] == "D" else lines)
        for start, end in one.where.get("addresses", ()):
            assert 0 <= start < end <= subject.organisation.words
        assert 0 <= int(one.where.get("at", 0)) < subject.organisation.words
        assert 0.0 < float(one.evidence.get("p_value", 1.0)) <= 1.0
        json.dumps(one.to_record())


@given(drawn=images(), readers=st.sampled_from([("a", "a", "a"), ("a", "b", "a"), ("a", "b", "c")]))
def test_any_words_give_findings_that_point_inside_the_image(
    drawn: tuple[list[Words], int], readers: tuple[str, ...]
) -> None:
    passes, bits = drawn
    sittings = ["s1", "s2", "s3"]
    subject = subject_of(
        passes_of(passes, readers=readers[: len(passes)], sittings=sittings[: len(passes)]), bits=bits
    )
    _check(examine(subject), subject)


@given(stream=st.binary(min_size=2048, max_size=2048))
def test_any_bytes_of_a_2716_give_the_same_findings_twice(stream: bytes) -> None:
    subject = subject_of(passes_of([np.frombuffer(stream, dtype=np.uint8)]), part=load().find("2716"))
    found = examine(subject)
    _check(found, subject)
    assert examine(subject) == found


@given(drawn=images(), holes=st.integers(0, 1 << 30))
def test_words_that_the_dump_has_not_are_left_out(drawn: tuple[list[Words], int], holes: int) -> None:
    passes, bits = drawn
    present = np.random.default_rng(holes).random(passes[0].size) < 0.8
    taken = tuple(
        Pass(one.reading, one.reader, one.sitting, one.number, one.words, present)
        for one in passes_of(passes)
    )
    subject = subject_of(taken, bits=bits)
    _check(examine(subject), subject)


@pytest.mark.parametrize("family", [family.name for family in FAMILIES])
def test_no_image_is_written_to(family: str) -> None:
    make = next(one.make for one in FAMILIES if one.name == family)
    image, bits = make(np.random.default_rng(3), 1024)
    image.setflags(write=False)
    examine(subject_of(passes_of([image, image]), bits=bits))
    assert not image.flags.writeable
