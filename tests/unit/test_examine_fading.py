from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from pipeline.catalogue import load
from pipeline.stages.examine import examine
from pipeline.words import Words
from schemas.finding import Code, Finding, Severity
from tests.kit.subjects import only, passes_of, program, subject_of
from tests.kit.wires import Bench, fade


def _faded(
    *images: Words,
    part: str = "2716",
    readers: Sequence[str] = (),
    sittings: Sequence[str] = (),
    when: Sequence[str] = (),
    supply_v: Sequence[float] = (),
) -> list[Finding]:
    passes = passes_of(images, readers=readers, sittings=sittings, when=when, supply_v=supply_v)
    return only(examine(subject_of(passes, part=load().find(part) if part else None)), Code.FADING)


TWO_SITTINGS = ("first", "second")


def test_bits_that_all_lead_to_the_unprogrammed_state_since_an_earlier_reading_are_fading() -> None:
    image = program()
    found = _faded(
        image, fade(image, 8, 1, 0.002, 5), sittings=TWO_SITTINGS, when=("2019-05-01", "2024-08-11")
    )
    assert [(one.severity, one.where["toward"]) for one in found] == [(Severity.CAUTION, 1)]
    bits = found[0].evidence["changed_bits"]
    assert found[0].evidence["p_value"] == pytest.approx(2.0 ** (1 - bits))
    assert found[0].evidence["ordered_by"] == "date"


def test_another_readers_reading_serves_as_well() -> None:
    image = program()
    found = _faded(image, fade(image, 8, 1, 0.002, 5), readers=("bench", "club"), sittings=TWO_SITTINGS)
    assert len(found) == 1
    assert found[0].where["readings"] == ["R2"]


def test_a_reading_at_a_higher_supply_serves_as_well() -> None:
    image = program()
    found = _faded(image, fade(image, 8, 1, 0.002, 5), sittings=TWO_SITTINGS, supply_v=(4.5, 5.5))
    assert [one.evidence["ordered_by"] for one in found] == ["supply"]


def test_one_sitting_alone_shows_no_fading() -> None:
    image = program()
    assert not _faded(image, fade(image, 8, 1, 0.002, 5))


def test_where_the_direction_is_unknown_nothing_is_claimed() -> None:
    image = program()
    faded = fade(image, 8, 1, 0.002, 5)
    assert not _faded(image, faded, part="", sittings=TWO_SITTINGS)


def test_bits_that_change_both_ways_are_no_fading() -> None:
    image = program()
    other = fade(image, 8, 1, 0.002, 5)
    other[100] = image[100] & np.uint8(0)
    assert (image[100] & ~other[100]).any()
    assert not _faded(image, other, sittings=TWO_SITTINGS, when=("2019", "2024"))


def test_a_later_reading_with_more_programmed_bits_is_no_fading() -> None:
    image = program()
    faded = fade(image, 8, 1, 0.002, 5)
    assert not _faded(faded, image, sittings=TWO_SITTINGS, when=("2019", "2024"))


def test_five_bits_are_too_few_and_six_enough() -> None:
    image = np.zeros(2048, dtype=np.uint8) | program()
    low = np.flatnonzero((image & 0x03) == 0)[:6]
    assert low.size == 6
    for count, told in ((5, 0), (6, 1)):
        other = image.copy()
        other[low[:count]] |= np.array([1, 2, 1, 2, 1, 2], dtype=np.uint8)[:count]
        assert len(_faded(image, other, sittings=TWO_SITTINGS)) == told


def test_a_loose_contact_that_reads_high_is_no_fading() -> None:
    image = program()
    loose = Bench(image, seed=2).loosen_data_line(3, 1, 0.05).read()
    assert not _faded(image, loose, sittings=TWO_SITTINGS)


def test_a_mask_rom_does_not_fade() -> None:
    image = program(2048)
    assert load().find("2316E").fades_to is None
    assert not _faded(image, fade(image, 8, 1, 0.002, 5), part="2316E", sittings=TWO_SITTINGS)
