"""Which reading of contested bits keeps the program's flow: said beside the voices, and never a vote."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.flow import Pass
from pipeline.stages.content import contested_flow, program_of
from pipeline.stages.content.flow_of_control import READ_AS
from pipeline.stages.content.flow_of_control.kept_bits import BITS_MARGIN, keeps_bits
from pipeline.stages.reconcile import reconcile
from pipeline.words import Words
from schemas.names import Organisation
from tests.journey.cli import wellread
from tests.kit.images import random_image
from tests.kit.invented_programs import program
from tests.kit.project import Chip, Reader, plain, project

WORDS, BITS = 2048, 8


def flipped(words: Words, count: int, seed: int) -> Words:
    rng = np.random.default_rng(seed)
    out = words.copy()
    for at in rng.choice(len(words), count, replace=False):
        out[at] ^= np.uint8(1 << int(rng.integers(8)))
    return out


@pytest.mark.parametrize("family", ["z80", "6502", "6800", "8051"])
def test_of_two_readings_that_differ_in_bits_the_sound_one_keeps_the_flow(family: str) -> None:
    read_as = {"6502": "65c02"}.get(family, family)
    right = wrong = 0
    for seed in range(12):
        sound = program(family, WORDS, seed=seed)
        pair = [sound, flipped(sound, 8, seed)]
        kept = keeps_bits(pair[::-1] if seed % 2 else pair, BITS, read_as)
        right += kept is not None and kept.chosen == seed % 2
        wrong += kept is not None and kept.chosen != seed % 2
    assert (right >= 7, wrong) == (True, 0)


def test_the_order_in_which_readings_are_listed_does_not_matter() -> None:
    sound = program("z80", WORDS)
    broken = flipped(sound, 12, 1)
    first, second = keeps_bits([sound, broken], BITS, "z80"), keeps_bits([broken, sound], BITS, "z80")
    assert first is not None
    assert second is not None
    assert (first.chosen, second.chosen) == (0, 1)
    assert first.ahead == pytest.approx(second.ahead)
    assert first.breaks == second.breaks[::-1]
    assert first.breaks[0] == 0


def test_equal_readings_stand_alike() -> None:
    words = program("6800", WORDS)
    assert keeps_bits([words, words.copy()], BITS, "6800") is None


@pytest.mark.parametrize("seed", range(8))
def test_bits_of_text_and_fill_are_not_decided(seed: int) -> None:
    text = np.frombuffer((b"THE LOOM HAS STOPPED AT CARD NUMBER " * 60)[:WORDS], dtype=np.uint8)
    assert keeps_bits([text, flipped(text, 1, seed)], BITS, "z80") is None


@given(st.binary(min_size=256, max_size=256), st.binary(min_size=256, max_size=256), st.sampled_from(READ_AS))
def test_any_two_readings_are_compared_without_an_error(one: bytes, two: bytes, family: str) -> None:
    images = [np.frombuffer(content, dtype=np.uint8) for content in (one, two)]
    kept = keeps_bits(images, BITS, family)
    assert kept is None or (kept.chosen in {0, 1} and kept.ahead >= BITS_MARGIN)


def settled_of(*readings: Words) -> Any:
    passes = [Pass(f"U1.r{n}.1", f"r{n}", f"r{n}/", 1, words) for n, words in enumerate(readings)]
    done = reconcile(passes, chip="U1", organisation=Organisation(WORDS, BITS))
    assert done is not None
    return done.settled


def test_where_no_program_is_known_nothing_is_said() -> None:
    noise = random_image(4)[:WORDS].astype(np.uint8)
    settled = settled_of(noise, flipped(noise, 4, 1))
    assert contested_flow(settled, program_of(settled.words, BITS)) is None


def test_many_contested_bits_are_left_to_other_findings() -> None:
    sound = program("z80", WORDS)
    settled = settled_of(sound, flipped(sound, 200, 1))
    assert contested_flow(settled, program_of(settled.words, BITS)) is None


def test_it_is_told_in_record_report_and_examine_and_settles_nothing(tmp_path: Path) -> None:
    sound = program("z80", WORDS)
    broken = flipped(sound, 10, 5)
    home, club = Reader("hb"), Reader("club")
    chip = Chip("U1", sound, BITS, (plain(broken, BITS, home), plain(sound, BITS, club)))
    folder = project(tmp_path / "m", [chip])
    done = wellread("package", folder, "--into", tmp_path, "--json")
    assert done.code == 0, done.err
    bag = Path(done.document["bag"])
    told = wellread("examine", "--project", folder, "--chip", "U1", "--json").document
    assert told["grade"] == "contested"
    assert told["contested"]["bits"] == 10
    flow = told["contested"]["flow"]
    assert flow["keeps"] == ["U1.club.1/1"]
    assert flow["says"].startswith("U1.club.1/1 keeps the program's flow; U1.hb.1/1 ")
    assert flow["says"] in (bag / "metadata/record.json").read_text(encoding="utf-8")
    assert wellread("examine", "--project", folder, "--chip", "U1").out.count("keeps the program's flow") == 1
    for command in (("package", folder, "--into", tmp_path / "again"), ("check", folder)):
        said = " ".join(wellread(*command).out.split())
        assert f"U1: {flow['says']}" in said
    page = (bag / "data/report/index.html").read_text(encoding="utf-8")
    assert "keeps the program&#39;s flow" in page
