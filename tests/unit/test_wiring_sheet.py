"""The bench sheet says pin by pin what the catalogue says, moves what differs, and guesses nothing."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.bench.sockets import Wire, differences, wiring
from pipeline.bench.wiring_sheet import KnownChip, bench
from pipeline.catalogue import load
from pipeline.catalogue.advice import STAMP
from pipeline.errors import PinoutError
from pipeline.views.bench import bench_document, bench_html, bench_text, join_text
from pipeline.words import Words
from schemas.part import Confidence, Kind, Part, PinUse
from tests.kit.examples import drilled_but

CATALOGUE = load()
KNOWN = [part for part in CATALOGUE.parts if part.pinout == "known"]
DRAWN = [part for part in CATALOGUE.parts if part.address_pins]
BLANK = [part for part in CATALOGUE.parts if not part.address_pins]
IDS = [part.part for part in KNOWN]


def find(number: str) -> Part:
    return CATALOGUE.find(number)


@pytest.mark.parametrize("part", KNOWN, ids=IDS)
def test_every_pin_appears_once_and_is_joined_to_what_the_catalogue_says(part: Part) -> None:
    sheet = bench(part, from_memory=True)
    assert [pin.pin for pin in sheet.pins] == list(range(1, part.pins + 1))
    joined = {pin.pin: pin.wire for pin in sheet.pins}
    for line, pin in enumerate(part.address_pins):
        assert joined[pin] == Wire("address", line)
    for line, pin in enumerate(part.data_pins):
        assert joined[pin] == Wire("data", line)
    assert {joined[pin] for pin in part.vcc} == {Wire("rail", 5.0)}
    assert {joined[pin] for pin in part.gnd} <= {Wire("rail", 0.0)}
    for supply in part.other_supply:
        assert joined[supply.pin] == Wire("rail", supply.volts)
    for enable in part.enables:
        expected = {
            "low": Wire("rail", 0.0),
            "high": Wire("rail", 5.0),
            "mask": Wire("choose"),
            "low-edge": Wire("pulse"),
            "unknown": Wire("ask"),
        }
        assert joined[enable.pin] == expected[enable.active]
    for other in part.other_pins:
        level = {"vcc": 5.0, "high": 5.0, "low": 0.0}.get(other.for_reading)
        assert joined[other.pin] == (
            Wire("ask" if other.for_reading == "unknown" else "open")
            if level is None
            else Wire("rail", level)
        )
    assert {joined[pin] for pin in part.nc} <= {Wire("open")}


@pytest.mark.parametrize("part", KNOWN, ids=IDS)
def test_every_pin_of_the_sheet_is_on_the_terminal_the_page_and_in_the_document(part: Part) -> None:
    sheet = bench(part, from_memory=True)
    text, page, document = bench_text(sheet), bench_html(sheet), json.loads(json.dumps(bench_document(sheet)))
    for pin in sheet.pins:
        assert f"{pin.pin:>3}  {pin.name}" in text
        assert f">{pin.pin}<" in page
    assert [pin["pin"] for pin in document["pins"]] == list(range(1, part.pins + 1))
    assert part.source.type in text
    assert part.source.type in page
    assert f"onfidence {part.confidence}" in text


@given(st.sampled_from(KNOWN), st.sampled_from(KNOWN))
def test_differences_are_the_set_difference_of_two_pin_tables(one: Part, other: Part) -> None:
    shift = (other.pins - one.pins) // 2
    wires, other_wires = wiring(one), wiring(other)

    def said(use: PinUse) -> tuple[str, object]:
        return use.role, use.line if use.line is not None else use.name

    old = {(use.pin + shift, said(use), wires[use.pin]) for use in one.pin_table}
    new = {(use.pin, said(use), other_wires[use.pin]) for use in other.pin_table}
    found = differences(one, other)
    assert {pin for pin, _, _ in old ^ new} == {d.other_pin or (d.pin or 0) + shift for d in found}
    moved = {d.other_pin for d in found if d.moves and d.other_pin is not None and d.pin is not None}
    both = {pin for pin in other_wires if pin - shift in wires}
    assert moved == {pin for pin in both if wires[pin - shift] != other_wires[pin]}


@given(st.sampled_from(KNOWN))
def test_a_part_differs_from_itself_in_nothing(part: Part) -> None:
    assert differences(part, part) == ()
    sheet = bench(part, other=part, from_memory=True)
    assert (sheet.moves, sheet.renamed) == ((), ())
    assert "no wire moves" in bench_text(sheet)


@pytest.mark.parametrize(
    ("wired", "new", "moves"),
    [
        # Worked comparisons. Source: second-hand or common practice, from memory.
        # 2708 against 2716: 18, 19, 21 differ (Program, +12, -5 against /CE, A10, Vpp); 18 is at ground in
        # both.
        ("2708", "2716", {19: ("+12 V", "address bit 10"), 21: ("-5 V", "+5 V")}),
        ("2716", "2732", {21: ("+5 V", "address bit 11")}),
        # 2532 against 2732: 18, 20, 21 differ; 20 is an enable active low in both.
        ("2532", "2732", {18: ("address bit 11", "ground (0 V)"), 21: ("+5 V", "address bit 11")}),
        ("2764", "27128", {26: ("leave open", "address bit 13")}),
        ("27128", "27256", {27: ("+5 V", "address bit 14")}),
        ("27256", "27512", {1: ("+5 V", "address bit 15")}),
        # 28C256 as 27256: pin 1 and 27 exchanged in meaning, /WE on 27.
        ("27256", "28C256", {1: ("+5 V", "address bit 14"), 27: ("address bit 14", "+5 V")}),
        # 29F040 as 27C040: pin 1 and 31 exchanged.
        ("27C040", "29F040", {1: ("+5 V", "address bit 18"), 31: ("address bit 18", "+5 V")}),
        # 27C100 type against 27C010: A16 and /OE exchanged.
        ("27C010", "27C100", {2: ("address bit 16", "ground (0 V)"), 24: ("ground (0 V)", "address bit 16")}),
        # 512x8 PROM (7641 class) against 2716: 18 active high against /CE, 19 and 22 become A10 and A9, 21
        # Vpp.
        (
            "7641",
            "2716",
            {
                18: ("+5 V", "ground (0 V)"),
                19: ("+5 V", "address bit 10"),
                21: ("ground (0 V)", "+5 V"),
                22: ("leave open", "address bit 9"),
            },
        ),
        # 82S191 against 2716: A10 and selects on other pins (18 to 21).
        (
            "82S191",
            "2716",
            {18: ("+5 V", "ground (0 V)"), 19: ("+5 V", "address bit 10"), 21: ("address bit 10", "+5 V")},
        ),
        ("27C010", "27C020", {30: ("leave open", "address bit 17")}),
    ],
)
def test_worked_comparisons_move_the_wires_practice_names(
    wired: str, new: str, moves: dict[int, tuple[str, str]]
) -> None:
    sheet = bench(find(new), other=find(wired))
    assert {m.other_pin: (str(m.wire), str(m.other_wire)) for m in sheet.moves} == moves


def test_a_wire_with_another_voltage_moves_first() -> None:
    sheet = bench(find("2708"), other=find("82S181"))
    risky = [any(wire in ("+12 V", "-5 V") for wire in (str(m.wire), str(m.other_wire))) for m in sheet.moves]
    assert risky == sorted(risky, reverse=True)
    assert risky[0]
    assert "the dangerous first" in bench_text(sheet)


def test_the_wire_of_a_write_enable_moves_before_the_chip_goes_in() -> None:
    sheet = bench(find("28C256"), other=find("27256"))
    assert [m.other_pin for m in sheet.moves] == [27, 1]
    assert "pin 27 /WE: from address bit 14 to +5 V (before the chip goes in" in bench_text(sheet)
    assert bench_document(sheet)["moves"][1]["risk"] is None


def test_dangers_are_told_before_any_pin() -> None:
    text = bench_text(bench(find("2708")))
    assert text.index("-5 V on first") < text.index("A7")
    page = bench_html(bench(find("28C16")))
    assert page.index("writes to the chip when it goes low") < page.index(">A7<")


@pytest.mark.parametrize("part", BLANK, ids=lambda p: p.part)
def test_pins_that_rest_on_nothing_are_refused_with_a_blank_table(part: Part) -> None:
    for from_memory in (False, True):
        sheet = bench(part, from_memory=from_memory)
        assert isinstance(sheet.refusal, PinoutError)
        assert [(pin.pin, pin.name, pin.wire) for pin in sheet.pins] == [
            (pin, "", None) for pin in range(1, part.pins + 1)
        ]
        text = bench_text(sheet)
        assert "from the data sheet" in text
        assert text.count("________________") == part.pins
        assert "address bit" not in text
        assert "address bit" not in bench_html(sheet)


@pytest.mark.parametrize("part", [p for p in DRAWN if p.confidence is Confidence.LOW], ids=lambda p: p.part)
def test_low_confidence_is_printed_only_when_asked_and_stamped_on_every_line(part: Part) -> None:
    unasked = bench(part)
    assert unasked.refusal is not None
    assert "--from-memory" in unasked.refusal.remedy
    assert "address bit" not in bench_text(unasked)
    asked = bench(part, from_memory=True)
    assert asked.refusal is None
    assert {pin.stamp for pin in asked.pins} == {STAMP}
    lines = [line for line in bench_text(asked).splitlines() if line.startswith("[ ] ")]
    assert len(lines) == part.pins + 1
    assert all(line.endswith(STAMP) for line in lines[1:])
    assert bench_html(asked).count(f">{STAMP}<") == part.pins


@pytest.mark.parametrize(
    "part", [p for p in DRAWN if p.confidence is not Confidence.LOW], ids=lambda p: p.part
)
def test_medium_and_high_confidence_is_printed_without_a_stamp(part: Part) -> None:
    sheet = bench(part)
    assert sheet.refusal is None
    assert {pin.stamp for pin in sheet.pins} == {""}


def test_a_doubtful_part_to_move_from_stamps_or_withholds_too() -> None:
    assert bench(find("2716"), other=find("2758")).refusal is not None
    assert bench(find("2764"), other=find("2758"), from_memory=True).stamp == STAMP


def test_open_collector_outputs_get_pull_ups_and_two_pull_values_instead_of_two_directions() -> None:
    sheet = bench(find("82S126"))
    assert sheet.pull_ups
    text = bench_text(sheet)
    assert "a pull-up of 1 to 4.7 kOhm to +5 V on each" in text
    said = " ".join(sheet.plan)
    assert "pull-ups of 1 kilohm and once with 10 kilohms" in said
    assert "pull-ups and once with pull-downs" not in said


@pytest.mark.parametrize(
    ("number", "access_ns", "wait_us"),
    [
        ("2716", 450, 1),  # 450 ns at most (second-hand), doubled
        ("1702A", 1000, 2),  # about 1 us (from memory), doubled
        ("74S472", 165, 1),  # three times the typical 55 ns (data sheet)
        ("74S188", 75, 5),  # open-collector: five time constants of 4.7 kOhm x 100 pF added, doubled
        ("27C160", 1000, 2),
    ],
)
def test_the_wait_is_twice_what_access_and_pull_ups_need(number: str, access_ns: float, wait_us: int) -> None:
    sheet = bench(find(number))
    assert (sheet.access_ns, sheet.wait_us) == (access_ns, wait_us)


def test_words_bytes_and_seconds_are_those_of_the_organisation() -> None:
    document = bench_document(bench(find("27C1024"), baud=9600))
    assert (document["words"], document["bytes"]) == (65536, 131072)
    # 131072 bytes x 3 characters x 10 bits / 9600 baud, and 65536 waits of 2 us
    assert document["seconds_a_pass"] == pytest.approx(131072 * 30 / 9600 + 65536 * 2e-6, abs=1e-3)


def test_a_pin_note_adds_what_the_wire_does_not_say() -> None:
    texts = {pin.pin: join_text(pin) for pin in bench(find("28C16")).pins}
    assert texts[21] == "+5 V (never let it float)"
    assert {pin.pin: join_text(pin) for pin in bench(find("2716")).pins}[21] == "+5 V"


def counting(words: int) -> Words:
    return (np.arange(words) & 0xFF).astype(np.uint8)


def test_a_known_chip_tries_the_lines_its_content_depends_on() -> None:
    """A counter in 2048 bytes depends on A0 to A7 only and puts every data line at both levels."""
    known = KnownChip("U1", find("2716"), counting(2048), "corroborated")
    (found,) = bench(find("2732"), known=[known]).exercises
    assert found.lines == tuple(f"A{n}" for n in range(8)) + tuple(f"D{n}" for n in range(8))
    assert found.missing == ("A8", "A9", "A10", "A11")
    assert found.moves == 1


def test_a_blank_chip_tries_nothing_and_a_random_one_tries_all_it_shares() -> None:
    random = np.random.default_rng(1).integers(0, 256, 4096).astype(np.uint8)
    known = [
        KnownChip("BLANK", find("2732"), np.full(4096, 0xFF, np.uint8)),
        KnownChip("GOOD", find("2732"), random, "repeatable"),
    ]
    sheet = bench(find("2732"), known=known)
    assert [one.chip for one in sheet.exercises] == ["GOOD", "BLANK"]
    assert sheet.exercises[0].missing == ()
    assert sheet.exercises[1].lines == ()
    assert sheet.together == ("GOOD",)
    assert "tries every line" in bench_text(sheet)


def test_two_chips_together_try_what_neither_tries_alone() -> None:
    low = counting(2048)
    high = (np.arange(2048) >> 8).astype(np.uint8)
    known = [KnownChip("LOW", find("2716"), low), KnownChip("HIGH", find("2716"), high)]
    sheet = bench(find("2716"), known=known)
    assert set(sheet.together) == {"LOW", "HIGH"}
    assert sheet.exercises[0].chip == "LOW"
    said = " ".join(sheet.plan)
    assert "First a spare with the same pin list" in said
    assert "the image of LOW tries" in said


def _volts(text: str) -> float | None:
    """Of a wire as it is printed; None for a line, nothing, or what cannot be known."""
    return {"ground (0 V)": 0.0}.get(text, float(text.removesuffix(" V")) if text.endswith(" V") else None)


@pytest.mark.parametrize("part", drilled_but(KNOWN, *KNOWN[::8]), ids=lambda part: part.part)
def test_a_known_chip_is_offered_only_to_a_wiring_that_cannot_harm_it(part: Part) -> None:
    """Told from the two printed tables alone.

    Supplies as wanted, no output driven, no other voltage anywhere.
    """
    here = {pin.pin: pin for pin in bench(part, from_memory=True).pins}
    offered = 0
    for chip in KNOWN:
        known = KnownChip("U1", chip, np.zeros(1, np.uint8), "corroborated")
        (found,) = bench(part, known=[known], from_memory=True).exercises
        if found.harm:
            assert "U1" not in bench(part, known=[known], from_memory=True).together
            continue
        assert len(chip.supplies_v) == 1
        assert chip.kind not in {Kind.EEPROM, Kind.FLASH}
        offered += 1
        shift = (part.pins - chip.pins) // 2
        roles = {use.pin: use.role for use in chip.pin_table}
        for pin in bench(chip, from_memory=True).pins:
            place = here.get(pin.pin + shift)
            wired, wanted = str(place.wire) if place else "leave open", str(pin.wire)
            if roles[pin.pin] in {"vcc", "gnd", "supply"}:
                assert wired == wanted
            if roles[pin.pin] == "data":
                assert wired.startswith("data bit") or wired == "leave open"
            if wired != wanted:
                assert _volts(wired) in (None, 0.0, 5.0)
                assert not pin.name.startswith("/WE")
    plain = len(part.supplies_v) == 1 and part.kind not in {Kind.EEPROM, Kind.FLASH}
    assert offered >= (plain and part.confidence is not Confidence.LOW)


@pytest.mark.parametrize("part", KNOWN, ids=lambda part: part.part)
def test_no_original_goes_first_into_wiring_that_nobody_has_proved(part: Part) -> None:
    known = [KnownChip("ONLY-ONE", part, counting(1), "corroborated")]
    said = bench(part, known=known, from_memory=True).plan
    assert "after" not in said[2]
    assert said[2].startswith(("First a spare", "First an expendable"))
    assert "No original" in said[2] or "no original" in said[2]
    assert said[2].startswith("First an expendable") == (len(part.supplies_v) > 1 or bool(part.write_enables))


def test_pins_that_are_withheld_are_not_told_by_way_of_a_known_chip() -> None:
    doubtful = next(part for part in KNOWN if part.confidence is Confidence.LOW)
    known = [KnownChip("U1", find("2716"), counting(2048))]
    assert bench(doubtful, known=known).exercises == ()
    (found,) = bench(doubtful, known=known, from_memory=True).exercises
    if found.harm:
        assert STAMP in next(
            line
            for line in bench_text(bench(doubtful, known=known, from_memory=True)).splitlines()
            if "U1 (2716" in line
        )


def test_a_line_on_another_pin_is_not_tried() -> None:
    random = np.random.default_rng(1).integers(0, 256, 4096).astype(np.uint8)
    (found,) = bench(find("2732"), known=[KnownChip("U1", find("2532"), random)]).exercises
    assert found.missing == ("A11",)


def test_the_page_escapes_what_a_sheet_writes() -> None:
    part = find("2716").model_copy(update={"part": "<script>x</script>"})
    page = bench_html(bench(part))
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_the_page_fetches_nothing() -> None:
    page = bench_html(bench(find("2708"), other=find("2716")))
    assert not any(word in page for word in ("http:", "https:", "src=", "url(", "@import", "<link"))


def test_many_differences_advise_wiring_afresh() -> None:
    text = bench_text(bench(find("2716"), other=find("82S123")))
    assert "take them all off and wire afresh" in text


def test_pins_that_one_of_the_packages_has_not_are_told() -> None:
    text = bench_text(bench(find("2716"), other=find("2764")))
    assert "pin 28 of the old part: take +5 V off, the new part has no such pin" in text
    assert "pin 24 (old pin 26) Vcc: new, +5 V" in text


def test_a_known_chip_of_odd_length_tries_no_line_that_it_cannot_halve() -> None:
    (found,) = bench(find("2716"), known=[KnownChip("ODD", find("2716"), counting(3))]).exercises
    assert found.lines == ("D0", "D1")


def test_a_part_without_an_organisation_promises_no_words() -> None:
    document = bench_document(bench(find("PAL16L8")))
    assert (document["words"], document["seconds_a_pass"]) == (None, 0)
    assert "Expect" not in bench_text(bench(find("PAL16L8")))
