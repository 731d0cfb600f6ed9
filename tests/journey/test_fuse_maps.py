"""Programmable logic from the sheet to the bag: its JESD3 fuse map is checked, packed, compared and shown."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from tests.journey.cli import wellread

SHEET = """machine: {{id: m1, name: An invented machine}}
readers:
  prog: {{kind: device-programmer}}
  other: {{kind: device-programmer}}
chips:
  - {{{chip}}}
"""


def fuses(count: int, seed: int = 3) -> list[int]:
    """Product terms as they are: many whole rows intact, some with a few links open."""
    rows = np.random.default_rng(seed)
    out = (rows.random(count) < 0.8).astype(int)
    for start in range(0, count, 32):
        if rows.random() < 0.5:
            out[start : start + 32] = 0
    return [int(one) for one in out]


def jesd3(links: Sequence[int], *, spoil: str = "") -> bytes:
    """A fuse map with both sums, written without the program's own decoder. Source of the form: JESD3-C."""
    body = f"an invented decoder*\r\nQP20*QF{len(links)}*G0*F0*\r\n"
    for start in range(0, len(links), 32):
        body += f"L{start:04d} {''.join(map(str, links[start : start + 32]))}*\r\n"
    total = sum(link << (at % 8) for at, link in enumerate(links)) & 0xFFFF
    body += f"C{total ^ (1 if spoil == 'fuses' else 0):04X}*\r\n"
    text = f"\x02{body}\x03"
    return f"{text}{sum(map(ord, text)) & 0xFFFF:04X}".encode("ascii")


def project(root: Path, chip: str, dumps: dict[str, bytes]) -> Path:
    (root / "dumps").mkdir(parents=True)
    for name, content in dumps.items():
        (root / "dumps" / name).write_bytes(content)
    (root / "sheet.yaml").write_text(SHEET.format(chip=chip), encoding="utf-8")
    return root


@pytest.mark.parametrize(("part", "count"), [("PAL16L8", 2048), ("82S100", 1928), ("82S101", 1928)])
def test_a_fuse_map_goes_all_the_way_from_the_sheet_into_the_bag_and_the_report(
    part: str, count: int, tmp_path: Path
) -> None:
    links = fuses(count)
    dumps = {"U7.prog.1.jed": jesd3(links), "U7.other.1.jed": jesd3(links)}
    folder = project(tmp_path / "p", f"chip: U7, part: {part}", dumps)
    checked = wellread("check", folder)
    assert checked.code == 0, checked.out + checked.err
    packed = wellread("package", folder, "--json")
    assert packed.code == 0, packed.err
    bag = Path(packed.document["bag"])
    (record,) = json.loads((bag / "metadata/record.json").read_text(encoding="utf-8"))["chips"]
    assert (record["organisation"], record["grade"], record["findings"]) == (f"{count}x1", "corroborated", [])
    assert list((bag / record["image"]["path"]).read_bytes()) == links
    kept = [path for path in bag.rglob("*.jed") if path.read_bytes() == jesd3(links)]
    assert len(kept) == 2
    report = (bag / "data/report/index.html").read_text(encoding="utf-8")
    assert f"{count}x1" in report
    assert "wellread burn" not in report
    assert wellread("recheck", bag).code == 0


def test_a_fuse_map_whose_sum_is_wrong_is_refused_with_its_line(tmp_path: Path) -> None:
    folder = project(
        tmp_path / "p", "chip: U7, part: PAL16L8", {"U7.prog.1.jed": jesd3(fuses(2048), spoil="fuses")}
    )
    done = wellread("check", folder)
    assert done.code == 1
    assert "U7.prog.1.jed" in done.out + done.err
    assert "sum" in done.out + done.err


def test_fuses_that_two_readers_see_differently_are_contested_and_no_wire_is_blamed(tmp_path: Path) -> None:
    links = fuses(2048)
    other = list(links)
    other[100] ^= 1
    other[1500] ^= 1
    dumps = {"U7.prog.1.jed": jesd3(links), "U7.other.1.jed": jesd3(other)}
    packed = wellread("package", project(tmp_path / "p", "chip: U7, part: PAL16L8", dumps), "--json")
    (chip,) = packed.document["chips"]
    assert chip["grade"] == "contested"
    assert {finding["code"] for finding in chip["findings"]} <= {"unstable-bits"}
    (found,) = chip["findings"]
    assert (found["where"]["addresses"], found["where"].get("pins")) == ([[100, 101], [1500, 1501]], None)


@pytest.mark.parametrize("content", [[0] * 2048, [1] * 2048, [0, 1] * 1024, ([1] * 32 + [0] * 32) * 32])
def test_no_reading_fault_is_seen_in_a_fuse_map_however_regular(content: list[int], tmp_path: Path) -> None:
    """The look-alike: as a ROM's words these were blank, a dead address line, a line that follows another."""
    folder = project(tmp_path / "p", "chip: U7, part: PAL16L8", {"U7.prog.1.jed": jesd3(content)})
    packed = wellread("package", folder, "--json")
    (chip,) = packed.document["chips"]
    assert (chip["grade"], chip["findings"]) == ("single", [])


def test_a_part_of_which_nobody_knows_the_fuses_takes_them_from_the_sheet(tmp_path: Path) -> None:
    folder = project(tmp_path / "p", "chip: U7, organisation: 448x1", {"U7.prog.1.jed": jesd3(fuses(448))})
    assert wellread("check", folder).code == 0


def test_a_truth_table_of_an_array_is_still_its_own_size(tmp_path: Path) -> None:
    folder = project(tmp_path / "p", "chip: U7, part: 82S100", {"U7.prog.1.bin": bytes(range(256)) * 256})
    assert wellread("check", folder).code == 0
    packed = wellread("package", folder, "--json")
    bag = Path(packed.document["bag"])
    (record,) = json.loads((bag / "metadata/record.json").read_text(encoding="utf-8"))["chips"]
    assert record["organisation"] == "65536x8"


def test_examine_reads_a_fuse_map_with_and_without_its_part(tmp_path: Path) -> None:
    dump = tmp_path / "a.jed"
    dump.write_bytes(jesd3(fuses(1928)))
    for more in (("--part", "82S100"), ()):
        done = wellread("examine", dump, *more, "--json")
        assert done.code == 0, done.err
        assert done.document["organisation"] == "1928x1"
        assert done.document["findings"] == []


def test_a_fuse_map_given_for_a_memory_is_refused_with_what_to_say(tmp_path: Path) -> None:
    folder = project(tmp_path / "p", "chip: U7, part: 82S123", {"U7.prog.1.jed": jesd3(fuses(448))})
    done = wellread("check", folder)
    assert done.code == 1
    assert "such as 2048x1" in " ".join((done.out + done.err).split())


@pytest.mark.parametrize("part", ["PAL16L8", "82S100"])
def test_a_fuse_map_of_another_size_than_the_parts_is_no_quiet_success(part: str, tmp_path: Path) -> None:
    folder = project(tmp_path / "p", f"chip: U7, part: {part}", {"U7.prog.1.jed": jesd3(fuses(2194))})
    done = wellread("package", folder, "--json")
    codes = (
        {f["code"] for chip in done.document["chips"] for f in chip["findings"]} if done.code == 0 else set()
    )
    assert done.code == 10 or "long-read" in codes


def test_burn_says_that_a_logic_device_takes_its_fuse_map(tmp_path: Path) -> None:
    folder = project(tmp_path / "p", "chip: U7, part: PAL16L8", {"U7.prog.1.jed": jesd3(fuses(2048))})
    bag = wellread("package", folder, "--json").document["bag"]
    for into in ("27256", "PAL16L8"):
        done = wellread("burn", bag, "--chip", "U7", "--into", into)
        assert done.code == 22
        assert "the .jed file among the readings in the bag" in done.err
        assert "into a device of its own kind" in done.err
