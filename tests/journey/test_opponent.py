"""An opponent at the command line.

What a hostile or unlucky project, disk or earlier version may do to `package`.
"""

from __future__ import annotations

import io
import json
import os
import random
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.journey.cli import Ran, wellread

HEAD = "machine: {id: m, name: M}\nreaders: {p: {kind: device-programmer}, h: {kind: home-built}}\n"
ONE = HEAD + "chips:\n  - {chip: U1, organisation: 256x8}\n"
EVEN, ODD = (random.Random(seed).randbytes(256) for seed in (1, 2))


def project(root: Path, sheet: str, **dumps: bytes) -> Path:
    """A project folder; the keys of `dumps` are file names with `_` for `.`."""
    (root / "m" / "dumps").mkdir(parents=True)
    (root / "m" / "sheet.yaml").write_text(sheet, encoding="utf-8")
    for name, content in dumps.items():
        (root / "m" / "dumps" / name.replace("_", ".")).write_bytes(content)
    return root / "m"


@pytest.fixture
def single(tmp_path: Path) -> Path:
    """One chip, one reading."""
    return project(tmp_path, ONE, U1_p_1_bin=EVEN)


def record(done: Ran) -> dict[str, Any]:
    """The record of the bag that was just made."""
    assert done.code == 0, done.err
    content: dict[str, Any] = json.loads(Path(done.document["record"]).read_text(encoding="utf-8"))
    return content


def images(done: Ran) -> dict[str, bytes]:
    """Each chip's image in the bag."""
    bag = Path(done.document["bag"])
    return {
        chip["chip"]: (bag / chip["image"]["path"]).read_bytes()
        for chip in record(done)["chips"]
        if chip["image"]
    }


def test_chips_merged_in_files_and_packed_in_bytes_come_out_as_the_sheet_says(tmp_path: Path) -> None:
    merged = bytes(byte for pair in zip(EVEN, ODD, strict=True) for byte in pair)
    nibbles = bytes((a & 15) << 4 | (b & 15) for a, b in zip(EVEN, ODD, strict=True))
    sheet = (
        HEAD
        + """\
chips:
  - {chip: U1, organisation: 256x8}
  - {chip: U2, organisation: 256x8}
  - {chip: N1, organisation: 256x4}
  - {chip: N2, organisation: 256x4}
  - {chip: W1, organisation: 128x16}
  - {chip: W2, organisation: 128x16}
  - {chip: F1, organisation: 256x5}
  - {chip: K1, organisation: 512x4}
  - {chip: R1, organisation: 256x8}
readings:
  - {chip: U1, reader: p, file: m.bin, take: {every: 2, first: 0}}
  - {chip: U2, reader: p, file: m.bin, take: {every: 2, first: 1}}
  - {chip: N1, reader: p, file: n.bin, take: {bits: '7:4'}}
  - {chip: N2, reader: p, file: n.bin, take: {bits: '3:0'}}
  - {chip: W1, reader: p, file: w1.bin, byte_order: big}
  - {chip: W2, reader: p, file: w2.bin, byte_order: little}
  - {chip: F1, reader: p, file: f.bin}
  - {chip: K1, reader: p, file: k.bin, packed: {first: low}}
  - {chip: R1, reader: p, file: r.bin, take: {range: 0x100-0x200}}
"""
    )
    folder = project(
        tmp_path,
        sheet,
        m_bin=merged,
        n_bin=nibbles,
        w1_bin=EVEN,
        w2_bin=EVEN,
        f_bin=bytes(0xE0 | byte & 31 for byte in EVEN),
        k_bin=EVEN,
        r_bin=ODD + EVEN,
    )
    done = wellread("package", folder, "--json")
    assert images(done) == {
        "U1": EVEN,
        "U2": ODD,
        "N1": bytes(a & 15 for a in EVEN),
        "N2": bytes(b & 15 for b in ODD),
        "W1": EVEN,
        "W2": bytes(byte for n in range(0, 256, 2) for byte in (EVEN[n + 1], EVEN[n])),
        "F1": bytes(a & 31 for a in EVEN),
        "K1": bytes(n for a in EVEN for n in (a & 15, a >> 4)),
        "R1": EVEN,
    }
    kept = list((Path(done.document["bag"]) / "data/readings").rglob("m.bin"))
    assert [path.read_bytes() for path in kept] == [merged], "a file of two chips lies in the bag once"


def test_grades_come_in_the_order_of_the_design(tmp_path: Path) -> None:
    """Source: DESIGN section 5."""
    other = bytes([EVEN[0] ^ 1]) + EVEN[1:]
    sheet = (
        HEAD
        + "chips:\n"
        + "".join(f"  - {{chip: U{n}, organisation: 256x8}}\n" for n in range(1, 6))
        + (
            "  - {chip: U6, organisation: 256x8, state: read-failed, attempts: [{reader: h, outcome: "
            "no answer}]}\n"
        )
    )
    folder = project(
        tmp_path,
        sheet,
        U1_p_1_bin=EVEN,
        U1_h_1_bin=EVEN,
        U2_p_1_bin=ODD,
        U2_p_2_bin=ODD,
        U3_p_1_bin=random.Random(3).randbytes(256),
        U4_p_1_bin=EVEN,
        U4_h_1_bin=other,
        U5_p_1_bin=random.Random(5).randbytes(200),
    )
    done = wellread("package", folder, "--json")
    chips = {chip["chip"]: chip for chip in record(done)["chips"]}
    assert {name: chip["grade"] for name, chip in chips.items()} == {
        "U1": "corroborated",
        "U2": "repeatable",
        "U3": "single",
        "U4": "contested",
        "U5": "faulty",
        "U6": "missing",
    }
    votes = chips["U4"]["contested"]["listed"]
    assert [(bit["address"], bit["line"], bit["votes"]["p"] ^ bit["votes"]["h"]) for bit in votes] == [
        (0, "D0", 1)
    ]
    assert chips["U6"]["reasons"][0] == "Tried and failed"


def test_a_short_reading_is_filled_in_by_another_reader_without_a_fault_left(tmp_path: Path) -> None:
    folder = project(tmp_path, ONE, U1_p_1_bin=EVEN, U1_h_1_bin=EVEN[:200])
    done = wellread("package", folder, "--json")
    (chip,) = record(done)["chips"]
    assert images(done)["U1"] == EVEN
    assert [one["severity"] for one in chip["findings"] if one["code"] == "short-read"] == ["caution"]
    assert (chip["grade"], chip["reasons"][0]) == (
        "single",
        "56 words rest on one pass alone (2 passes by p and h)",
    )


@pytest.mark.skipif(sys.platform == "win32", reason="names that Windows cannot make")
@pytest.mark.parametrize(
    "name", ["line\nbreak.jpg", "tab\t.jpg", "del\x7f.jpg", os.fsdecode(b"latin-\xe9.jpg")]
)
def test_a_photograph_whose_name_cannot_be_kept_is_told_not_left_out(single: Path, name: str) -> None:
    (single / "photos").mkdir()
    (single / "photos" / name).write_bytes(b"x")
    done = wellread("package", single)
    assert done.code == 10
    assert "found a name that is not Unicode or has control characters" in done.err


@pytest.mark.skipif(sys.platform == "win32", reason="links as POSIX has them")
def test_a_link_out_of_photos_is_refused_in_words(single: Path) -> None:
    (single.parent / "secret").write_bytes(b"x")
    (single / "photos").mkdir()
    (single / "photos" / "a.jpg").symlink_to(single.parent / "secret")
    done = wellread("package", single)
    assert done.code == 10
    assert "photos/a.jpg: found a link that leads out of the project folder" in done.err


@pytest.mark.skipif(sys.platform == "win32", reason="names that Windows cannot make")
def test_every_attachment_is_kept_and_its_original_name_told(single: Path) -> None:
    names = [
        "CON.txt",
        "trail.",
        "trail. ",
        "a:b?.jpg",
        "x" * 250 + ".txt",
        "\u00e9.jpg",
        "e\u0301.jpg",
        "Pic.JPG",
        "pic.jpg",
        "back\\slash.txt",
        "100%25.txt",
        "a&<b>.txt",
        "empty.txt",
    ]
    (single / "docs").mkdir()
    for number, name in enumerate(names):
        (single / "docs" / name).write_bytes(b"" if name == "empty.txt" else b"%d" % number)
    done = wellread("package", single, "--json")
    kept = record(done)["attachments"]
    assert sorted(one["original_name"] for one in kept) == sorted(f"docs/{name}" for name in names)
    bag = Path(done.document["bag"])
    for one in kept:
        assert (bag / one["path"]).read_bytes() == (single / one["original_name"]).read_bytes()
    assert len({one["path"].casefold() for one in kept}) == len(names)


def test_an_earlier_version_that_is_no_bag_is_told_in_plain_words(single: Path) -> None:
    (single.parent / "m-v5").mkdir()
    done = wellread("package", single)
    assert done.code == 14
    assert "m-v5: this has the name of an earlier version, but holds no metadata/record.json" in done.err
    assert "Error" not in done.err


@pytest.mark.parametrize("content", [b"{}", b"[1]", b'{"inputs_sha256": "", "software": {}}', b"\xff\xfe{"])
def test_an_earlier_version_with_a_spoilt_record_is_told_not_a_bug(single: Path, content: bytes) -> None:
    bag = Path(wellread("package", single, "--json").document["bag"])
    (bag / "metadata" / "record.json").write_bytes(content)
    (single / "dumps" / "U1.p.2.bin").write_bytes(EVEN)
    done = wellread("package", single)
    assert done.code == 14, done.err
    assert "mend it from a copy" in done.err
    assert not (single.parent / "m-v2").exists()


def test_a_damaged_version_is_not_passed_off_as_the_same(single: Path) -> None:
    bag = Path(wellread("package", single, "--json").document["bag"])
    dump = next((bag / "data" / "readings").rglob("*.bin"))
    dump.write_bytes(bytes([dump.read_bytes()[0] ^ 1]) + dump.read_bytes()[1:])
    done = wellread("package", single)
    assert done.code == 14
    assert "nothing has changed since this version, but it is damaged (data/readings/" in done.err


def test_versions_count_on_when_an_older_one_is_gone(single: Path) -> None:
    first = Path(wellread("package", single, "--json").document["bag"])
    (single / "dumps" / "U1.p.2.bin").write_bytes(EVEN)
    assert wellread("package", single, "--json").document["supersedes"] == "m-v1"
    shutil.rmtree(first)
    assert wellread("package", single, "--json").document["same_as"] == "m-v2"
    (single / "dumps" / "U1.p.3.bin").write_bytes(EVEN)
    third = wellread("package", single, "--json").document
    assert (Path(third["bag"]).name, third["supersedes"]) == ("m-v3", "m-v2")


def test_a_dead_runs_leftover_is_named_and_removed_only_when_asked(single: Path) -> None:
    left = single.parent / ".m-v1.staging-0123abcd"
    (left / "m-v1").mkdir(parents=True)
    (left / "in-use").touch()
    other = single.parent / ".another-v1.staging-0123abcd"
    other.mkdir()
    told = wellread("package", single)
    assert told.code == 0
    assert (
        "left behind by a run that ended before m-v1 was finished; `--clear-leftovers` removes it."
        in told.err
    )
    assert left.is_dir()
    cleared = wellread("package", single, "--clear-leftovers")
    assert (cleared.code, left.exists(), other.exists()) == (0, False, True)
    assert "removed" in cleared.err
    assert wellread("package", single).err == ""


def test_a_destination_beneath_a_file_is_told_as_a_file(single: Path) -> None:
    (single.parent / "f").write_bytes(b"")
    done = wellread("package", single, "--into", single.parent / "f" / "x")
    assert done.code == 15
    assert "f: this is a file. Choose a folder." in done.err


def test_a_destination_reached_by_a_link_into_the_project_is_refused(single: Path) -> None:
    link = single.parent / "link"
    try:
        link.symlink_to(single / "dumps", target_is_directory=True)
    except OSError as error:
        pytest.skip(f"no links here: {error}")
    assert wellread("package", single, "--into", link).code == 15
    assert [path.name for path in (single / "dumps").iterdir()] == ["U1.p.1.bin"]


def test_nothing_reaches_standard_error_when_all_is_well_and_quiet_prints_the_path_alone(
    single: Path,
) -> None:
    done = wellread("package", single, "--quiet")
    assert (done.code, done.err) == (0, "")
    assert done.out.strip() == str(single.parent / "m-v1")
    assert wellread("check", single, "--quiet") == Ran(0, "", "")


def test_a_line_that_names_the_separator_is_accepted_at_the_head_of_a_csv(single: Path) -> None:
    (single / "sheet.yaml").write_text(HEAD + "chips: chips.csv\n", encoding="utf-8")
    (single / "chips.csv").write_bytes(b"sep=;\r\nchip;organisation;label\r\nU1;256x8;0117\r\nU2;12;\r\n")
    done = wellread("check", single)
    assert "chips.csv:4, column 2: chips[2].organisation: found '12'" in done.out
    problem, caution, count = done.out.splitlines()
    assert problem.startswith("problem: chips.csv:4")
    assert "state" in caution
    assert count.startswith("1 problem")


def test_an_xlsx_with_a_stray_cell_far_out_is_read_at_once(single: Path) -> None:
    from openpyxl import Workbook

    book, out = Workbook(), io.BytesIO()
    sheet = book.active
    assert sheet is not None
    sheet.append(["chip", "organisation"])
    sheet.append(["U1", "256x8"])
    sheet["XFD1048576"] = "far"
    book.save(out)
    (single / "sheet.yaml").write_text(HEAD + "chips: chips.xlsx\n", encoding="utf-8")
    (single / "chips.xlsx").write_bytes(out.getvalue())
    assert wellread("check", single).code == 0


def test_a_section_that_is_no_group_is_told_with_its_own_line(single: Path) -> None:
    (single / "sheet.yaml").write_text(HEAD + "custodian: me\n" + ONE.removeprefix(HEAD), encoding="utf-8")
    assert "sheet.yaml:3: custodian: found 'me', expected a group of fields" in wellread("check", single).out


def test_merged_cells_are_told_since_only_the_first_holds_a_value(single: Path) -> None:
    from openpyxl import Workbook

    book, out = Workbook(), io.BytesIO()
    sheet = book.active
    assert sheet is not None
    for row in (["chip", "organisation", "role"], ["U1", "256x8", "program"], ["U2", "256x8", None]):
        sheet.append(row)
    sheet.merge_cells("C2:C3")
    book.save(out)
    (single / "sheet.yaml").write_text(HEAD + "chips: chips.xlsx\n", encoding="utf-8")
    (single / "chips.xlsx").write_bytes(out.getvalue())
    done = wellread("check", single)
    assert done.code == 1
    assert "chips.xlsx:Sheet!C2:C3: found merged cells, of which only the first holds a value" in done.out


def test_a_part_of_the_sheet_with_a_mistake_is_told_once(single: Path) -> None:
    sheet = (
        HEAD + "parts:\n  - {part: X1, kind: zzz, words: 256, bits: 8}\nchips:\n  - {chip: U1, part: X1}\n"
    )
    (single / "sheet.yaml").write_text(sheet, encoding="utf-8")
    done = wellread("check", single)
    assert done.code == 1
    assert "chips[1].part" not in done.out


def test_premis_holds_whatever_text_and_dates_the_sheet_has_and_every_reference_leads_somewhere(
    tmp_path: Path,
) -> None:
    import re

    sheet = (
        HEAD.replace("name: M", 'name: "<&>]]> \\u0001"')
        + """\
chips:
  - {chip: U1, organisation: 256x8, label: "\\u0000\\uFFFE<b>"}
  - {chip: U2, part: '2716', state: read-failed, attempts: [{reader: h, date: 198X, outcome: '<dead>'}]}
readings:
  - {chip: U1, reader: p, file: a.bin, date: 198X}
  - {chip: U1, reader: h, file: b.bin, date: 2021/2023}
  - {chip: U1, reader: h, file: c.bin, set_aside: 'because <x>'}
"""
    )
    done = wellread("package", project(tmp_path, sheet, a_bin=EVEN, b_bin=EVEN, c_bin=ODD), "--json")
    assert done.code == 0, done.err
    text = (Path(done.document["bag"]) / "metadata/premis.xml").read_text("utf-8")
    assert "<x>" not in text
    assert {"198X", "2021/2023"} <= set(re.findall(r"<eventDateTime>(.*?)<", text))
    kinds = "object|event|agent|rightsStatement"
    ids = set(re.findall(rf"<(?:{kinds})IdentifierValue>(.*?)<", text))
    named = set(re.findall(r"<(?:linking\w+|related\w+)IdentifierValue>(.*?)<", text))
    assert named
    assert named <= ids


def test_spaces_hold_banks_gaps_and_lanes_as_placed(tmp_path: Path) -> None:
    sheet = (
        HEAD
        + """\
chips:
  - {chip: E, organisation: 256x8}
  - {chip: O, organisation: 256x8}
  - {chip: H, organisation: 256x4}
  - {chip: L, organisation: 256x4}
readings:
  - {chip: E, reader: p, file: e.bin}
  - {chip: O, reader: p, file: o.bin}
  - {chip: H, reader: p, file: h.bin}
  - {chip: L, reader: p, file: l.bin}
spaces:
  - {name: even-odd, width: 16, byte_order: little, unit: byte, placements: [{at: 0, lanes: [E, O]}]}
  - {name: nibbles, width: 8, placements: [{at: 0, lanes: [H, L]}]}
  - {name: gap, width: 8, fill: 0xEA, placements: [{at: 16, lanes: [E], chip_range: 0x00-0x10}]}
  - {name: hole, width: 8, placements: [{at: 16, lanes: [E], chip_range: 0x00-0x10}]}
  - {name: banked, width: 8, placements: [{at: 0, bank: a, lanes: [E]}, {at: 0, bank: b, lanes: [O]}]}
  - {name: wide, width: 24, placements: [{at: 0, lanes: [E, O, H, L]}]}
"""
    )
    low = [bytes(byte & 15 for byte in content) for content in (EVEN, ODD)]
    folder = project(tmp_path, sheet, e_bin=EVEN, o_bin=ODD, h_bin=low[0], l_bin=low[1])
    done = wellread("package", folder, "--json")
    assert done.code == 0, done.err
    made = {path.stem: path.read_bytes() for path in (Path(done.document["bag"]) / "data/spaces").iterdir()}
    byte = [a << 4 | b for a, b in zip(*low, strict=True)]
    assert made.pop("even-odd") == bytes(x for pair in zip(ODD, EVEN, strict=True) for x in pair)
    assert made.pop("nibbles") == bytes(byte)
    assert made.pop("gap") == b"\xea" * 16 + EVEN[:16]
    assert made.pop("wide") == bytes(x for three in zip(EVEN, ODD, byte, strict=True) for x in three)
    assert sorted(made.values()) == sorted([EVEN, ODD]), "a gap without a declared fill is not written"


STOPPING = """
import os, signal, sys
from pipeline.__main__ import run
written = []
def hook(event, args):
    if event == "open" and "/m-v1/data/" in str(args[0]):
        written.append(1)
        if len(written) == 50:
            os.kill(os.getpid(), signal.SIGSTOP)
sys.addaudithook(hook)
raise SystemExit(run(sys.argv[1:]))
"""
"""The command line, which stands still while it writes the files of the bag."""


@pytest.mark.skipif(sys.platform == "win32", reason="signals as POSIX has them")
def test_ctrl_c_in_the_middle_leaves_nothing_behind(tmp_path: Path) -> None:
    import signal
    import subprocess

    count = 150
    sheet = HEAD + "chips:\n" + "".join(f"  - {{chip: U{n}, organisation: 256x8}}\n" for n in range(count))
    folder = project(
        tmp_path, sheet, **{f"U{n}_p_1_bin": random.Random(n).randbytes(256) for n in range(count)}
    )
    running = subprocess.Popen(
        [sys.executable, "-c", STOPPING, "package", str(folder)],
        cwd=Path(__file__).parents[2],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        # A background job of a shell has Ctrl-C switched off, and so would its children.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # noqa: PLW1509 - no threads here
    )
    _, status = os.waitpid(running.pid, os.WUNTRACED)
    assert os.WIFSTOPPED(status)
    assert any(tmp_path.glob(".m-v1.staging-*/m-v1/data"))
    os.killpg(running.pid, signal.SIGINT)
    running.send_signal(signal.SIGCONT)
    _, err = running.communicate(timeout=60)
    assert running.returncode == 130, err
    assert "Traceback" not in err
    assert [path.name for path in tmp_path.iterdir()] == ["m"]


def test_start_tells_files_of_one_name_in_two_folders_apart(single: Path) -> None:
    (single / "sheet.yaml").unlink()
    (single / "dumps" / "again").mkdir()
    (single / "dumps" / "again" / "U1.p.1.bin").write_bytes(EVEN)
    assert wellread("start", single).code == 0
    problems = wellread("check", single, "--json").document["problems"]
    assert [one["field"].rsplit(".", 1)[-1] for one in problems] == ["unconfirmed"], problems


@pytest.mark.parametrize(
    "arguments",
    [
        ("check", "{project}"),
        ("recheck", "{bag}"),
        ("changes", "{bag}", "{bag}"),
        ("parts",),
        ("parts", "2716"),
        ("examine", "{dump}"),
        ("compare", "{dump}", "{dump}"),
        ("convert", "{dump}", "--to", "s-record", "-o", "{project}/../out.s19"),
    ],
)
def test_every_json_document_follows_its_schema_and_quiet_is_silent(
    single: Path, arguments: tuple[str, ...]
) -> None:
    import jsonschema

    bag = wellread("package", single, "--quiet").out.strip()
    named = [one.format(project=single, bag=bag, dump=single / "dumps" / "U1.p.1.bin") for one in arguments]
    done = wellread(*named, "--json")
    assert (done.code, done.err) == (0, "")
    jsonschema.validate(done.document, wellread("schema", arguments[0]).document)
    if arguments[0] != "convert":
        assert wellread(*named, "--quiet") == Ran(0, "", "")
