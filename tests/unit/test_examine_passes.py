from __future__ import annotations

import numpy as np
import pytest

from pipeline.stages.examine import examine
from schemas.finding import Code, Severity
from tests.kit.images import ascii_text
from tests.kit.subjects import findings_in, line_of, only, passes_of, program, subject_of
from tests.kit.wires import Bench, read_too_fast, read_without_pull_ups


def test_passes_that_agree_have_no_finding() -> None:
    image = program()
    assert not findings_in(image, image.copy(), image.copy())


@pytest.mark.parametrize("line", range(11))
def test_a_loose_address_contact_is_named_with_its_pin(line: int) -> None:
    image = program()
    bench = Bench(image, seed=line).loosen_address_line(line, 1, 0.05)
    found = findings_in(image, bench.read(), part="2716")
    assert [(one.code, line_of(one)) for one in found] == [(Code.INTERMITTENT_LINE, f"A{line}")]
    # The catalogue's 2716: A0 to A10 on these pins.
    assert found[0].where["pins"][0]["pin"] == [8, 7, 6, 5, 4, 3, 2, 1, 23, 22, 19][line]
    assert found[0].evidence["p_value"] < 1e-3


@pytest.mark.parametrize("line", range(8))
def test_a_loose_data_contact_is_named(line: int) -> None:
    image = program()
    bench = Bench(image, seed=line).loosen_data_line(line, 1, 0.05)
    found = findings_in(image, bench.read())
    assert [(one.code, line_of(one), one.severity) for one in found] == [
        (Code.INTERMITTENT_LINE, f"D{line}", Severity.FAULT)
    ]
    assert found[0].evidence["to_zero"] == 0


def test_two_passes_that_are_both_loose_still_name_the_contact() -> None:
    image = program()
    passes = [Bench(image, seed=seed).loosen_address_line(4, 0, 0.03).read() for seed in (1, 2, 3)]
    found = findings_in(*passes)
    assert [line_of(one) for one in only(found, Code.INTERMITTENT_LINE)] == ["A4"]


def test_two_words_apart_in_one_column_are_too_few_to_name_a_contact() -> None:
    image = program()
    other = image.copy()
    other[[100, 900]] ^= np.uint8(0x08)
    found = findings_in(image, other)
    assert [one.code for one in found] == [Code.UNSTABLE_BITS]
    assert found[0].evidence["count"] == 2


def test_cells_that_flicker_here_and_there_are_unstable_bits_with_addresses_and_lines() -> None:
    image = program()
    other = image.copy()
    for at, bit in ((10, 0), (400, 3), (401, 5), (1900, 7)):
        other[at] ^= np.uint8(1 << bit)
    found = findings_in(image, other)
    assert [(one.code, one.severity) for one in found] == [(Code.UNSTABLE_BITS, Severity.CAUTION)]
    assert found[0].where["addresses"] == [[10, 11], [400, 402], [1900, 1901]]
    assert found[0].where["lines"] == ["D0", "D3", "D5", "D7"]
    assert found[0].evidence["count"] == 4


def test_errors_all_over_one_readers_passes_are_a_fault() -> None:
    image = program()
    random = np.random.default_rng(4)
    other = image ^ np.where(random.random(2048) < 0.2, random.integers(1, 256, 2048), 0).astype(np.uint8)
    found = only(findings_in(image, other), Code.UNSTABLE_BITS)
    assert [one.severity for one in found] == [Severity.FAULT]


def test_whole_words_that_drop_to_the_pull_level_point_at_the_enable() -> None:
    image = program()
    other = image.copy()
    for start in (120, 700, 1500):
        other[start : start + 9] = 0xFF
    found = only(findings_in(image, other), Code.UNSTABLE_BITS)
    assert [one.evidence["pattern"] for one in found] == ["whole-words-dropped"]
    assert "enable" in found[0].means


def test_a_one_that_comes_late_after_a_zero_points_at_missing_pull_ups() -> None:
    image = program()
    found = findings_in(image, read_without_pull_ups(image, 8, 0.05, 3))
    assert [one.evidence["pattern"] for one in found] == ["late-ones"]
    assert "pull-ups" in found[0].next


def test_errors_where_many_address_bits_change_point_at_reading_too_fast() -> None:
    image = program()
    found = findings_in(image, read_too_fast(image, 8, 0.02, 3))
    assert [one.evidence["pattern"] for one in found] == ["reading-too-fast"]
    assert found[0].evidence["address_bits_changed"] > 2.5
    assert "Slow the reader" in found[0].next


def test_errors_at_random_places_do_not_point_at_the_speed() -> None:
    image = program()
    random = np.random.default_rng(9)
    other = image.copy()
    at = random.choice(2048, 60, replace=False)
    other[at] ^= (1 << random.integers(0, 8, 60)).astype(np.uint8)
    found = only(findings_in(image, other), Code.UNSTABLE_BITS)
    assert [one.evidence["pattern"] for one in found] == ["scattered"]


def test_an_open_data_line_is_said_to_read_noise() -> None:
    image = program()
    passes = []
    for seed in (1, 2):
        noise = np.random.default_rng(seed).integers(0, 2, 2048).astype(np.uint8) << np.uint8(5)
        passes.append((image & np.uint8(0xDF)) | noise)
    found = only(findings_in(*passes), Code.INTERMITTENT_LINE)
    assert [line_of(one) for one in found] == ["D5"]
    assert "noise" in found[0].means


def test_cells_that_flicker_in_doubled_content_are_no_loose_top_line() -> None:
    image = np.tile(program(1024), 2)
    other = image.copy()
    places = np.random.default_rng(4).choice(2048, 16, replace=False)
    other[places] ^= np.resize(np.array([1, 8, 64], dtype=np.uint8), 16)
    found = examine(subject_of(passes_of((image, other))))
    assert not only(found, Code.INTERMITTENT_LINE)
    assert only(found, Code.UNSTABLE_BITS)


def test_text_with_one_noisy_line_accuses_no_other_line() -> None:
    text = ascii_text(np.random.default_rng(5), 2048)[0]
    for line in (4, 6):
        passes = [Bench(text, seed=seed).open_data_line(line).read() for seed in (1, 2)]
        faults = [one for one in examine(subject_of(passes_of(passes))) if one.severity is Severity.FAULT]
        assert [one.where["line"] for one in faults] == [f"D{line}"]


def test_a_loose_address_line_of_a_sparse_table_is_a_caution_by_its_places() -> None:
    random = np.random.default_rng(6)
    image = np.where(random.random(1024) < 0.4, random.integers(1, 256, 1024), 0).astype(np.uint8)
    seen = Bench(image, seed=2).loosen_address_line(9, 0, 1.0).read()
    keep = np.flatnonzero((seen != image) & (seen == 0))
    other = image.copy()
    other[keep[:24]] = 0
    found = only(examine(subject_of(passes_of((image, other)))), Code.INTERMITTENT_LINE)
    assert [(one.severity, one.where["line"]) for one in found] == [(Severity.CAUTION, "A9")]
