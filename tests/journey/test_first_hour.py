"""The newcomer's first hour: each ordinary mistake meets one message, and what it says to type mends it.

The files are the example's own dumps, in a project that somebody is just beginning. Each case plays it to the
end: the mistake, the exact message, the fix typed from the message alone, success.
"""

from __future__ import annotations

import gzip
import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

import pytest
from lxml import etree

from tests.journey.cli import Ran, wellread
from tests.kit.files import octal_listing

DUMPS = Path(__file__).parents[2] / "example_project" / "dumps"
IMAGE = (DUMPS / "MEM-U1.prog.1.bin").read_bytes()
P = "{http://www.loc.gov/premis/v3}"
LONGEST = 300
"""Characters that a message may have; common practice for a line that is read to the end, no source."""
SHEET = """\
machine: {id: m, name: M}
readers:
  prog: {kind: device-programmer}
  hb: {kind: home-built}
boards:
  mem: {sockets: [A1, A2]}
chips:
  - {chip: U1, board: mem, socket: A1, part: '2716'}
"""
ROW = "readings:\n  - {chip: U1, reader: prog, file: U1.prog.1.bin, date: 2023-09}\n"


def words_listing(image: bytes) -> bytes:
    """As a dump program prints words of two bytes, without a text column."""
    lines = [
        f"{at:07x} " + " ".join(image[k : k + 2].hex() for k in range(at, at + 16, 2))
        for at in range(0, len(image), 16)
    ]
    return "\n".join([*lines, f"{len(image):07x}", ""]).encode()


def gapped_listing(image: bytes) -> bytes:
    lines = [f"{at:04X}: {image[at : at + 16].hex(' ')}" for at in range(0, len(image), 16)]
    return "\n".join([*lines[:5], *lines[6:], ""]).encode()


@dataclass(frozen=True)
class Mistake:
    """One mistake and its mending.

    Attributes:
        files: What lies in the project besides the sheet: path → bytes.
        sheet: The sheet as typed.
        says: A whole message, with `…` for what varies.
        mend: Types what the message says.
        code: Exit code of `check` before.
    """

    files: dict[str, bytes]
    sheet: str
    says: str
    mend: Callable[[Path, str], None]
    code: int = 1


GOOD = {"dumps/U1.prog.1.bin": IMAGE}


def retyped(old: str, new: str) -> Callable[[Path, str], None]:
    """Replaces words of the sheet."""

    def mend(root: Path, _said: str) -> None:
        sheet = root / "sheet.yaml"
        text = sheet.read_text("utf-8")
        assert old in text
        sheet.write_text(text.replace(old, new, 1), "utf-8")

    return mend


def row_from_the_message(root: Path, said: str) -> None:
    """Copies the row that the message shows under `readings`."""
    found = re.search(r"`(- \{file: .*?\})`", said)
    assert found is not None, said
    sheet = root / "sheet.yaml"
    sheet.write_text(sheet.read_text("utf-8") + "readings:\n  " + found[1] + "\n", "utf-8")


def renamed(root: Path, said: str) -> None:
    """Renames the file as the message proposes."""
    found = re.search(r"(dumps/\S+): .*nearest valid value (\S+)", said)
    assert found is not None, said
    (root / found[1]).rename(root / "dumps" / found[2])


def unpacked(root: Path, said: str) -> None:
    path = root / "dumps" / "U1.prog.1.bin"
    assert "unpack it first" in said.lower()
    path.write_bytes(gzip.decompress(path.read_bytes()))


def saved_as_utf8(root: Path, said: str) -> None:
    assert "UTF-8: save the table again" in said
    table = root / "chips.csv"
    table.write_bytes(table.read_bytes().decode("latin-1").encode())


def moved_to_photos(root: Path, said: str) -> None:
    assert "photos/" in said
    (root / "photos").mkdir()
    (root / "dumps" / "U1.prog.2.bin").rename(root / "photos" / "U1.jpg")


def with_gaps(root: Path, said: str) -> None:
    assert "write `gaps: true`" in said
    row = "readings:\n  - {chip: U1, reader: hb, file: U1.hb.1.txt, gaps: true}\n"
    (root / "sheet.yaml").write_text(SHEET + row, "utf-8")


TABLE = SHEET.split("chips:", maxsplit=1)[0]
MISTAKES = {
    "a reader misspelt in a file's name": Mistake(
        {"dumps/U1.prg.1.bin": IMAGE},
        SHEET,
        "caution: dumps/U1.prg.1.bin: found the reader 'prg', which `readers` does not list, expected one "
        "of prog, hb, or `readers: {…}` with this one, nearest valid value U1.prog.1.bin",
        renamed,
        0,
    ),
    "a chip misspelt in a file's name": Mistake(
        {"dumps/U11.prog.1.bin": IMAGE},
        SHEET,
        "caution: dumps/U11.prog.1.bin: found the chip 'U11', which `chips` does not list, expected a chip "
        "of the sheet, nearest valid value U1.prog.1.bin",
        renamed,
        0,
    ),
    "words of two bytes without an order": Mistake(
        {"dumps/U1.hb.1.txt": words_listing(IMAGE)},
        SHEET,
        "problem: dumps/U1.hb.1.txt, line 1, column 9: each value stands for 2 bytes, and their order is "
        "not known. Write `word_order: big` if the digits stand in the order of the bytes, `word_order: "
        "little` if not; under `readings`: `- {file: U1.hb.1.txt, word_order: big}`",
        row_from_the_message,
    ),
    "octal bytes": Mistake(
        {"dumps/U1.hb.1.txt": octal_listing(IMAGE)},
        SHEET,
        "problem: dumps/U1.hb.1.txt, line 1, column 9: values of 3 digits are not hexadecimal bytes. Write "
        "`token: octal` or `token: decimal`, or say the chip's organisation; under `readings`: "
        "`- {file: U1.hb.1.txt, token: octal}`",
        row_from_the_message,
    ),
    "a packed dump": Mistake(
        {"dumps/U1.prog.1.bin": gzip.compress(IMAGE)},
        SHEET,
        "problem: dumps/U1.prog.1.bin, offset 0x0: this is a gzip archive, not a dump. Unpack it first, and "
        "put the dumps that are in it into dumps/; write `format: binary` if the chip really holds it; or "
        "set the reading aside with its reason (`set_aside: …`)",
        unpacked,
    ),
    "a picture among the dumps": Mistake(
        GOOD | {"dumps/U1.prog.2.bin": b"\xff\xd8\xff\xe0" + bytes(100)},
        SHEET,
        "problem: dumps/U1.prog.2.bin, offset 0x0: this is a JPEG picture, not a dump. Put it into photos/, "
        "and give the dump itself; write `format: binary` if the chip really holds it; or set the reading "
        "aside with its reason (`set_aside: …`)",
        moved_to_photos,
    ),
    "a table in the wrong letter case": Mistake(
        GOOD | {"chips.csv": b"chip,part,board,socket\nU1,2716,mem,A1\n"},
        TABLE + "chips: Chips.csv\n",
        "problem: sheet.yaml:7: chips: found 'Chips.csv', which is not there, expected a table inside the "
        "project folder, nearest valid value chips.csv",
        retyped("Chips.csv", "chips.csv"),
    ),
    "a table saved as Latin-1": Mistake(
        GOOD | {"chips.csv": "chip,part,board,socket,role\nU1,2716,mem,A1,Gerät\n".encode("latin-1")},
        TABLE + "chips: chips.csv\n",
        "problem: chips.csv:2: found the byte 0xE4 at offset 46, which is not UTF-8 (Latin-1?), expected "
        "UTF-8: save the table again as CSV UTF-8, or in an editor with encoding UTF-8",
        saved_as_utf8,
    ),
    "a field misspelt": Mistake(
        GOOD,
        SHEET.replace("part:", "revison: B, part:"),
        "problem: sheet.yaml:8: chips[1].revison: found a field that is not known, expected a field that "
        "the sheet knows, nearest valid value revision",
        retyped("revison", "revision"),
    ),
    "a section misspelt": Mistake(
        GOOD,
        SHEET.replace("readers:", "reader:"),
        "problem: sheet.yaml:2: reader: found a section that is not known, expected a field that the sheet "
        "knows, nearest valid value readers",
        retyped("reader:", "readers:"),
    ),
    "a board misspelt": Mistake(
        GOOD,
        SHEET.replace("board: mem", "board: men"),
        "problem: sheet.yaml:8: chips[1].board: found 'men', expected a board that `boards` names, "
        "nearest valid value mem",
        retyped("board: men", "board: mem"),
    ),
    "a socket that the board has not": Mistake(
        GOOD,
        SHEET.replace("socket: A1", "socket: A11"),
        "problem: sheet.yaml:8: chips[1].socket: found 'A11', expected a socket that board mem lists, "
        "nearest valid value A1",
        retyped("socket: A11", "socket: A1"),
    ),
    "a state in other words": Mistake(
        GOOD,
        SHEET + "  - {chip: U2, board: mem, socket: A2, part: '2716', state: notread}\n",
        "problem: sheet.yaml:9: chips[2].state: found 'notread', expected one of not-read, read-failed, "
        "socket-empty, on-loan, nearest valid value not-read",
        retyped("notread", "not-read"),
    ),
    "a part with a digit too many": Mistake(
        GOOD,
        SHEET.replace("'2716'", "'27160'"),
        "problem: sheet.yaml:8: chips[1].part: found '27160', which is not in the catalogue, expected a "
        "number that `wellread parts` lists, a part of your own under `parts`, or `organisation: 2048x8`, "
        "nearest valid value 2716",
        retyped("'27160'", "'2716'"),
    ),
    "a reading's reader misspelt": Mistake(
        GOOD,
        SHEET + ROW.replace("reader: prog", "reader: porg"),
        "problem: sheet.yaml:10: readings[1].reader: found 'porg', expected a reader that `readers` names, "
        "nearest valid value prog",
        retyped("reader: porg", "reader: prog"),
    ),
    "an organisation without its bits": Mistake(
        GOOD,
        SHEET.replace("part: '2716'", "organisation: 2048"),
        "problem: sheet.yaml:8: chips[1].organisation: found '2048', expected words x bits, such as 2048x8",
        retyped("organisation: 2048", "organisation: 2048x8"),
    ),
    "an organisation that the part has not": Mistake(
        GOOD,
        SHEET.replace("part:", "organisation: 4096x8, part:"),
        "problem: sheet.yaml:8: chips[1].organisation: found 4096x8, but a 2716 is 2048x8, expected the "
        "part's own organisation, or another part, nearest valid value 2048x8",
        retyped("4096x8", "2048x8"),
    ),
    "a date with points": Mistake(
        GOOD,
        SHEET + ROW.replace("2023-09", "12.3.2024"),
        "problem: sheet.yaml:10: readings[1].date: found '12.3.2024', expected a date as far as known, such "
        "as 2024-05-03, 2024-05, 1978, 198X or 2024~ (EDTF), nearest valid value 2024-03-12 or 2024-12-03",
        retyped("12.3.2024", "2024-03-12"),
    ),
    "a month in words": Mistake(
        GOOD,
        SHEET + ROW.replace("2023-09", "March 2024"),
        "problem: sheet.yaml:10: readings[1].date: found 'March 2024', expected a date as far as known, "
        "such as 2024-05-03, 2024-05, 1978, 198X or 2024~ (EDTF), nearest valid value 2024-03",
        retyped("March 2024", "2024-03"),
    ),
    "a supply with a decimal comma": Mistake(
        GOOD,
        SHEET + ROW.replace("date: 2023-09", "supply_v: 4,5"),
        "problem: sheet.yaml:10: readings[1].supply_v: found '4', cut off at the comma before '5', expected "
        "put the value in quotes: supply_v: 4.5",
        retyped("supply_v: 4,5", "supply_v: 4.5"),
    ),
    "a marking with a comma": Mistake(
        GOOD,
        SHEET.replace("part:", "marking: INTEL D2716, 1979, part:"),
        "problem: sheet.yaml:8: chips[1].marking: found 'INTEL D2716', cut off at the comma before "
        "'1979', expected put the "
        'value in quotes: marking: "INTEL D2716, 1979"',
        retyped("INTEL D2716, 1979", '"INTEL D2716, 1979"'),
    ),
    "a guess left unconfirmed": Mistake(
        GOOD,
        SHEET.replace("part:", "unconfirmed: [part from the size], part:"),
        "problem: sheet.yaml:8: chips[1].unconfirmed: found part from the size, expected each guess "
        "confirmed on the chip, and the list emptied",
        retyped("[part from the size]", "[]"),
    ),
    "a reading of a file that is not there": Mistake(
        GOOD,
        SHEET + ROW.replace("U1.prog.1.bin", "U1.prog.l.bin"),
        "problem: sheet.yaml:10: readings[1].file: found 'U1.prog.l.bin', which is not there, expected a "
        "file in dumps/, nearest valid value U1.prog.1.bin",
        retyped("U1.prog.l.bin", "U1.prog.1.bin"),
    ),
    "a chip twice": Mistake(
        GOOD,
        SHEET + "  - {chip: u1, board: mem, socket: A2, part: '2716', state: not-read}\n",
        "problem: sheet.yaml:9: chips[2].chip: found 'u1' again (first at sheet.yaml:8), expected an id "
        "that no other chip has, upper and lower case counted alike",
        retyped("chip: u1", "chip: U2"),
    ),
    "lines left out of a listing": Mistake(
        {"dumps/U1.hb.1.txt": gapped_listing(IMAGE)},
        SHEET,
        "problem: dumps/U1.hb.1.txt, line 6, column 1: address 0x60 where 0x50 is due: 16 addresses (1 "
        "line of 16) are lost. Put the lost lines back from another reading, or write `gaps: true` if gaps "
        "are meant; or set the reading aside with its reason (`set_aside: …`)",
        with_gaps,
    ),
}


def begun(tmp_path: Path, mistake: Mistake) -> Path:
    root = tmp_path / "m"
    for path, content in mistake.files.items():
        (root / path).parent.mkdir(parents=True, exist_ok=True)
        (root / path).write_bytes(content)
    (root / "sheet.yaml").write_text(mistake.sheet, "utf-8")
    return root


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_told_once_and_mended_by_what_it_says(name: str, tmp_path: Path) -> None:
    mistake = MISTAKES[name]
    root = begun(tmp_path, mistake)
    before = wellread("check", root)
    assert before.code == mistake.code, before.out + before.err
    assert mistake.says in before.out.splitlines(), before.out
    problems = [line for line in before.out.splitlines() if line.startswith("problem: ")]
    assert len(problems) == (mistake.code == 1), before.out
    assert all(len(line) <= LONGEST for line in problems), problems
    mistake.mend(root, mistake.says)
    after = wellread("check", root)
    assert after.code == 0, after.out + after.err
    assert mistake.says not in after.out
    assert after.out.splitlines()[-1].startswith("Sheet and dumps can be read: ")


def said_on_the_command_line(done: Ran, code: int, message: str) -> None:
    assert done.code == code, done.out + done.err
    assert message in done.err, done.err


def test_words_without_an_order_are_converted_by_the_option_that_the_message_names(tmp_path: Path) -> None:
    dump, out = tmp_path / "u1.txt", tmp_path / "u1.bin"
    dump.write_bytes(words_listing(IMAGE))
    done = wellread("convert", dump, "--to", "binary", "-o", out)
    said_on_the_command_line(done, 12, "Say --word-order big if the digits stand in the order of the bytes")
    assert wellread("convert", dump, "--to", "binary", "-o", out, "--word-order", "big").code == 0
    assert out.read_bytes() == IMAGE


def test_a_dump_misspelt_on_the_command_line_is_offered_by_its_path(tmp_path: Path) -> None:
    (tmp_path / "U1.bin").write_bytes(IMAGE)
    done = wellread("examine", tmp_path / "U1.bni")
    said_on_the_command_line(done, 16, f"there is no such file. Did you mean {tmp_path / 'U1.bin'}.")
    assert wellread("examine", tmp_path / "U1.bin").code == 0


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (("check", "{x}"), "folder"),
        (("package", "{x}"), "folder"),
        (("start", "{x}"), "folder"),
        (("examine", "{x}"), "file"),
        (("convert", "{x}", "--to", "binary", "-o", "{x}.bin"), "file"),
        (("compare", "{x}", "{x}"), "file"),
        (("release", "{x}"), "bag"),
        (("burn", "{x}", "--chip", "U1", "--into", "2716"), "bag"),
        (("changes", "{x}", "{x}"), "bag"),
        (("reopen", "{x}", "--into", "{x}-back"), "bag"),
        (("mend", "{x}", "--from", "{x}"), "bag"),
        (("ledger", "{x}"), "ledger"),
    ],
)
def test_a_path_that_is_not_there_ends_with_16_and_says_what_was_looked_for(
    arguments: tuple[str, ...], what: str, tmp_path: Path
) -> None:
    done = wellread(*(one.format(x=tmp_path / "nowhere") for one in arguments))
    said_on_the_command_line(done, 16, f"there is no such {what}. ")


def test_the_last_folder_of_into_is_made_and_said_and_no_more(tmp_path: Path) -> None:
    root = begun(tmp_path, Mistake(GOOD, SHEET, "", retyped("", "")))
    done = wellread("package", root, "--into", tmp_path / "a" / "b")
    said_on_the_command_line(
        done, 15, f"the folder {tmp_path / 'a'} is not there, and only the last one of a path is made"
    )
    assert not (tmp_path / "a").exists()
    (tmp_path / "a").mkdir()
    done = wellread("package", root, "--into", tmp_path / "a" / "b")
    said_on_the_command_line(done, 0, f"The folder {tmp_path / 'a' / 'b'} was not there; it is made.")
    assert (tmp_path / "a" / "b" / "m-v1").is_dir()


def test_a_command_misspelt_is_answered_with_the_one_that_was_meant() -> None:
    said_on_the_command_line(wellread("packige", "x"), 2, "Did you mean package?")


def test_check_names_what_is_faulty_and_what_to_type_to_learn_more(tmp_path: Path) -> None:
    dead_line = (DUMPS / "PAT-U5.hb.1.log").read_bytes()
    root = begun(tmp_path, Mistake({"dumps/U1.hb.1.log": dead_line}, SHEET, "", retyped("", "")))
    done = wellread("check", root)
    lines = done.out.splitlines()
    assert done.code == 0
    assert "Still to be done by a person:" in lines
    assert "  U1  faulty  fault address-line-dead" in lines
    assert any("wellread explain faulty address-line-dead" in line for line in lines)
    assert "Sound" not in done.out


def test_there_are_twenty_five_ordinary_mistakes() -> None:
    assert len(MISTAKES) >= 25
    assert len({mistake.says for mistake in MISTAKES.values()}) == len(MISTAKES)


def test_problems_of_every_kind_come_in_one_go(tmp_path: Path) -> None:
    sheet = SHEET.replace("board: mem", "board: men, revison: B") + ROW.replace("2023-09", "12.3.2024")
    sheet += "spaces:\n  - {name: p, width: 8, placements: [{at: 0, lanes: [U9]}]}\n"
    root = begun(tmp_path, Mistake(GOOD, sheet, "", retyped("", "")))
    problems = wellread("check", root, "--json").document["problems"]
    assert {one["field"] for one in problems} == {
        "chips[1].revison",
        "chips[1].board",
        "readings[1].date",
        "spaces[1].placements[1].lanes[1]",
    }


@pytest.mark.drill
def test_ten_thousand_problems_are_summed_up(tmp_path: Path) -> None:
    rows = "".join(
        f"  - {{chip: C{k}, organisation: 16x8, board: nix, state: not-read}}\n" for k in range(10_000)
    )
    root = begun(tmp_path, Mistake(GOOD, SHEET + rows, "", retyped("", "")))
    done = wellread("package", root)
    assert done.code == 10
    lines = done.err.splitlines()
    assert len(lines) < 10
    assert any(line.startswith("… and 9,997 more like these: chips[…].board") for line in lines)
    assert lines[-1].startswith("sheet.yaml: 10,000 problems.")
    assert len(wellread("check", root, "--json").document["problems"]) == 10_000


def test_the_custodians_own_numbers_reach_bag_info_and_premis(tmp_path: Path) -> None:
    sheet = SHEET.replace("{id: m,", "{id: m, inventory: 1987-12, accession: A-3,")
    sheet = sheet.replace("{sockets:", "{inventory: 1987-12/1, accession: A-3/B, sockets:").replace(
        "part:", "inventory: 1987-12/1/4, accession: A-3/B/4, part:"
    )
    root = begun(tmp_path, Mistake(GOOD, sheet, "", retyped("", "")))
    assert wellread("package", root).code == 0
    info = (tmp_path / "m-v1" / "bag-info.txt").read_text("utf-8")
    assert "Inventory-Number: 1987-12\n" in info
    assert "Accession-Number: A-3\n" in info
    premis = (tmp_path / "m-v1" / "metadata" / "premis.xml").read_text("utf-8")
    assert "<objectIdentifierValue>1987-12</objectIdentifierValue>" in premis
    for value in ("1987-12/1", "1987-12/1/4", "A-3", "A-3/B", "A-3/B/4"):
        assert f"<objectIdentifierValue>{value}</objectIdentifierValue>" in premis
    assert "Board-Inventory-Number: mem: 1987-12/1\n" in info
    assert "Chip-Inventory-Number: U1: 1987-12/1/4\n" in info
    assert "Board-Accession-Number: mem: A-3/B\n" in info
    assert "Chip-Accession-Number: U1: A-3/B/4\n" in info


def test_photographs_reach_record_premis_and_report_with_what_they_show(tmp_path: Path) -> None:
    picture = b"\xff\xd8\xff\xe0" + bytes(40)
    sheet = SHEET + (
        "photos:\n"
        "  - {file: photos/mem board.jpg, board: mem, caption: The memory board}\n"
        "  - {file: mem board.jpg, chip: U1}\n"
        "  - {file: U1.jpg, chip: U1, caption: Its marking}\n"
    )
    files = GOOD | {f"photos/{name}": picture for name in ("mem board.jpg", "U1.jpg", "other.jpg")}
    root = begun(tmp_path, Mistake(files, sheet, "", retyped("", "")))
    assert wellread("package", root).code == 0
    bag = tmp_path / "m-v1"
    attachments = json.loads((bag / "metadata/record.json").read_bytes())["attachments"]
    shows = {one["original_name"]: one.get("shows") for one in attachments}
    assert shows == {
        "photos/mem board.jpg": [{"board": "mem", "caption": "The memory board"}, {"chip": "U1"}],
        "photos/U1.jpg": [{"chip": "U1", "caption": "Its marking"}],
        "photos/other.jpg": None,
    }
    premis = etree.parse(str(bag / "metadata/premis.xml")).getroot()
    documents = {
        item.findtext(f"{P}objectIdentifier/{P}objectIdentifierValue"): [
            str(each.text) for each in one.iter(f"{P}relatedObjectIdentifierValue")
        ]
        for item in premis.iter(f"{P}object")
        for one in item.iter(f"{P}relationship")
        if one.findtext(f"{P}relationshipSubType") == "documents"
    }
    assert sorted(map(sorted, documents.values())) == [["m-v1#board/mem", "m-v1#chip/U1"], ["m-v1#chip/U1"]]
    page = (bag / "data/report/index.html").read_text("utf-8")
    for one in attachments:
        way = f'<a href="../{quote(one["path"].removeprefix("data/"))}">'
        assert (way in page) == ("shows" in one)
    assert "Its marking" in page
    assert wellread("recheck", bag).code == 0


def test_start_says_where_pictures_and_archives_belong_and_moves_nothing(tmp_path: Path) -> None:
    (tmp_path / "dumps").mkdir()
    files = {
        "U1.prog.1.bin": IMAGE,
        "board.bin": b"\xff\xd8\xff\xe0" + bytes(40),
        "old.bin": gzip.compress(IMAGE),
        "notes.bin": b"%PDF-1.4 " + bytes(40),
    }
    for name, content in files.items():
        (tmp_path / "dumps" / name).write_bytes(content)
    done = wellread("start", tmp_path)
    assert done.code == 0, done.err
    assert "dumps/board.bin: a JPEG picture: move it to photos/" in done.out
    assert "dumps/notes.bin: a PDF document: move it to docs/" in done.out
    assert (
        "dumps/old.bin: a gzip archive: unpack it, and put the dumps that are in it into dumps/" in done.out
    )
    assert "1 chip, 1 reading drafted" in done.out
    assert {path.name for path in (tmp_path / "dumps").iterdir()} == set(files)


def test_start_drafts_nothing_where_no_file_is_a_dump(tmp_path: Path) -> None:
    (tmp_path / "dumps").mkdir()
    (tmp_path / "dumps" / "all.bin").write_bytes(gzip.compress(IMAGE))
    said_on_the_command_line(wellread("start", tmp_path), 24, "dumps/all.bin is a gzip archive: unpack it")
    assert not (tmp_path / "sheet.yaml").exists()
