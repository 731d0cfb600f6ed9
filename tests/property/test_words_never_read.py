"""Words that no reading has: whatever stands in their place changes nothing that is said or drawn."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.flow import Pass
from pipeline.in_step import by_itself
from pipeline.stages.assemble import assemble
from pipeline.stages.content import content_findings, regions, signature
from pipeline.street import ToJudge, judge
from pipeline.views.report.chipview import SINGLE_PAGE, chip_view
from pipeline.words import true_ranges, word_bytes
from schemas.names import Organisation
from schemas.sheet import Chip, Space
from tests.journey.cli import wellread
from tests.kit.examples import examples
from tests.kit.files import binary
from tests.kit.images import put_crc_32, silent_code, with_text
from tests.kit.project import Chip as KitChip
from tests.kit.project import Reader, Reading, project

WORDS = 512
Mask = NDArray[np.bool_]


def _masks() -> st.SearchStrategy[Mask]:
    """Where words were read: the end lacking, a hole, several holes, every second word lacking."""

    def made(cuts: list[tuple[int, int]], *, paced: bool) -> Mask:
        known = np.ones(WORDS, np.bool_)
        for start, length in cuts:
            known[start : start + length] = False
        known[1::2] &= not paced
        known[0] = True
        return known

    cut = st.tuples(st.integers(1, WORDS - 1), st.sampled_from([1, 2, 5, 16, 64, 200]))
    return st.builds(made, st.lists(cut, min_size=1, max_size=3), paced=st.booleans())


@st.composite
def images(draw: st.DrawFn) -> Any:
    """Content of several sorts, fills at the edges of holes among it."""
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    sort = draw(st.sampled_from(["code", "text", "check", "fill", "halves"]))
    words = with_text(random, WORDS)[0] if sort == "text" else silent_code(random, WORDS)[0]
    words = put_crc_32(words) if sort == "check" else words.copy()
    if sort in ("fill", "halves"):
        words[WORDS // 2 :] = draw(st.sampled_from([0x00, 0xFF]))
    if sort == "fill":
        words[: WORDS // 4] = 0xFF
    return words


VALUES = st.one_of(
    st.sampled_from([0x00, 0xFF, 0x41]).map(lambda level: np.full(WORDS, level, np.uint8)),
    st.integers(0, 2**32 - 1).map(lambda seed: np.random.default_rng(seed).integers(0, 256, WORDS, np.uint8)),
    st.just(np.frombuffer(b"THE QUICK BROWN FOX " * 26, np.uint8)[:WORDS]),
)


def _behind(words: Any, known: Mask, values: Any) -> Any:
    return np.where(known, words, values).astype(np.uint8)


def _read(words: Any, known: Mask, reader: str = "hb", number: int = 1) -> Pass:
    return Pass(f"U1.{reader}.{number}", reader, f"{reader}/", number, words, present=known)


def _judged(passes: list[Pass]) -> Any:
    result = by_itself(judge(ToJudge("U1", Organisation(WORDS, 8), passes)))
    settled = result.settled
    assert settled is not None
    return (
        [one.to_record() for one in result.findings],
        result.graded,
        result.held_back,
        [one.to_json() for one in result.regions],
        result.vectors,
        [one.to_json() for one in result.checks],
        dict(result.schemes),
        settled.words.tobytes(),
        settled.contested.tobytes(),
        result.signature and result.signature.digest,
    )


@given(images(), _masks(), VALUES, VALUES)
def test_no_value_behind_the_mask_changes_a_finding_a_grade_or_a_region(
    words: Any, known: Mask, one: Any, other: Any
) -> None:
    first = _judged([_read(_behind(words, known, one), known)])
    assert first == _judged([_read(_behind(words, known, other), known)])


@given(images(), _masks(), _masks(), VALUES, VALUES)
def test_the_same_holds_where_two_readers_each_lack_words(
    words: Any, known: Mask, theirs: Mask, one: Any, other: Any
) -> None:
    def both(values: Any) -> Any:
        flipped = words.copy()
        flipped[3] ^= 0x10
        return _judged(
            [
                _read(_behind(words, known, values), known),
                _read(_behind(flipped, theirs, values), theirs, "prog"),
            ]
        )

    assert both(one) == both(other)


@given(images(), _masks(), VALUES, VALUES, st.sampled_from([None, 0, 1]))
def test_the_stage_itself_looks_at_no_value_behind_the_mask(
    words: Any, known: Mask, one: Any, other: Any, erased: int | None
) -> None:
    """Without the street, which blanks them: regions, what is told of them, and the signature."""

    def cut(values: Any) -> Any:
        seen = _behind(words, known, values)
        found = regions(seen, 8, erased_state=erased, part=None, known=known)
        assert [(r.start, r.end) for r in found if r.kind == "absent"] == true_ranges(~known)
        assert [r.start for r in found] == [0, *(r.end for r in found[:-1])]
        assert found[-1].end == WORDS
        told = [one.to_record() for one in content_findings("U1", found)]
        sign = signature(seen, 8, found, known=known)
        return [r.to_json() for r in found], told, sign.digest, sign.fill, sign.hashes

    assert cut(one) == cut(other)
    for finding in cut(one)[1]:
        for start, end in finding["where"]["ranges"]:
            assert known[start:end].all(), finding


@given(images(), _masks(), VALUES, VALUES)
def test_no_picture_of_the_report_is_drawn_from_words_that_nobody_read(
    words: Any, known: Mask, one: Any, other: Any
) -> None:
    absent = [list(span) for span in true_ranges(~known)]
    cut = [
        r.to_json() for r in regions(_behind(words, known, 0), 8, erased_state=None, part=None, known=known)
    ]
    chip: Any = {
        "chip": "U1",
        "grade": "contested",
        "reasons": [],
        "organisation": f"{WORDS}x8",
        "role": "characters",
        "findings": [],
        "regions": cut,
        "absent": absent,
        "contested": None,
        "image": {"path": "data/i.bin", "mask_path": "data/m.bin", "settled": False, "sums": []},
        "bears": {"passes": 1, "sittings": 1, "readers": 1, "checks": 0},
    }

    def drawn(values: Any) -> Any:
        seen = _behind(words, known, values)
        mask = np.where(known, 0, 255).astype(np.uint8)
        files = {"data/i.bin": word_bytes(seen, 8), "data/m.bin": word_bytes(mask, 8)}
        return chip_view({"parts": {}}, chip, files.__getitem__, SINGLE_PAGE)  # type: ignore[typeddict-item]

    assert drawn(one) == drawn(other)
    assert "words here were not read" in str(drawn(one)["pictures"]["raster"])


WIRED = {"lanes": ["U1", "U2"], "at": 0}


@pytest.mark.parametrize("fill", ["0xFFFF", None])
@given(words=images(), known=_masks(), one=VALUES, other=VALUES, turn=st.booleans())
def test_a_space_has_a_hole_where_a_chip_was_never_read(
    fill: str | None, words: Any, known: Mask, one: Any, other: Any, *, turn: bool
) -> None:
    space = Space.model_validate(
        {"name": "s", "width": "16", "placements": [WIRED]} | ({"fill": fill} if fill else {})
    )
    lines = [*range(1, 9), 0]
    wiring = {"board_wiring": {"address": [f"A{k}" for k in lines], "invert_data": ["D0"]}} if turn else {}
    chips = {
        "U1": Chip.model_validate({"chip": "U1", **wiring}),
        "U2": Chip.model_validate({"chip": "U2", **wiring}),
    }
    organisations = dict.fromkeys(("U1", "U2"), Organisation(WORDS, 8))

    def made(values: Any) -> Any:
        shown = {"U1": _behind(words, known, values), "U2": words}
        (bank,) = assemble(
            space,
            images=shown,
            organisations=organisations,
            chips=chips,
            absent={"U1": true_ranges(~known)},
        )
        return bank

    first, second = made(one), made(other)
    assert (first.words is None) == (fill is None)
    assert int((~first.filled).sum()) == int((~known).sum())
    assert first.unread == ("U1",)
    assert first.reasons == second.reasons
    if fill:
        assert np.array_equal(first.words, second.words)
        assert (first.words[~first.filled] == 0xFFFF).all()


@settings(max_examples=examples(0.025, least=2), deadline=None)
@given(st.sampled_from([0x00, 0xFF]), st.integers(1, 400))
def test_a_short_dump_is_told_as_short_in_every_document_and_never_as_empty(level: int, lacking: int) -> None:
    """`00 from 0x7FF, programmed on purpose` was once said of words that no reader ever saw."""
    with tempfile.TemporaryDirectory() as place:
        words = silent_code(np.random.default_rng(5), WORDS)[0]
        words[-64:] = level
        reading = Reading(Reader("hb", "home-built"), (binary(words[:-lacking]),), {"format": "binary"})
        folder = project(Path(place) / "p", [KitChip("U1", words, 8, (reading,))])
        done = wellread("package", folder, "--into", Path(place) / "b", "--json")
        bag = Path(done.document["bag"])
        (chip,) = json.loads((bag / "metadata/record.json").read_bytes())["chips"]
        assert chip["absent"] == [[WORDS - lacking, WORDS]]
        assert chip["regions"][-1]["kind"] == "absent"
        assert f"No reading has {lacking} word" in " ".join(chip["reasons"]) or chip["grade"] == "faulty"
        for finding in chip["findings"]:
            for start, end in finding["where"].get("ranges", ()):
                assert end <= WORDS - lacking or finding["code"] == "short-read", (start, finding)
        assert f"words that no reading has ({lacking})" in (bag / "metadata/provenance.txt").read_text()
        assert not chip["contested"] or chip["contested"]["words"] == 0
        assert "?" in wellread("examine", *(folder / "dumps").iterdir(), "--organisation", "512x8").out
