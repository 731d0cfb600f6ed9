"""Inputs that once ended in a traceback: told in words now, with an exit code of their class."""

from __future__ import annotations

import io
import json
import shutil
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.journey import drilled
from tests.journey.cli import Ran, wellread
from tests.kit.examples import drilled_but
from tests.outside import bag_cases


def told(ran: Ran, *codes: int) -> None:
    assert "Traceback" not in ran.err, ran.err
    assert ran.code in codes, (ran.code, ran.err)


@pytest.fixture
def project(tmp_path: Path) -> Path:
    drilled.project(tmp_path)
    return tmp_path / "m"


@pytest.mark.parametrize(
    "parts",
    [
        "[{part: [X]}]",
        "[{part: {a: b}}]",
        "[[X]]",
        "{part: X}",
        "[{part: X, pins: [[[]]]}]",
        "[{part: }]",
        "[{part: [[X]], organisation: [1]}]",
        "[null]",
        "[{}]",
        "x",
    ],
)
def test_parts_of_odd_shapes(project: Path, parts: str) -> None:
    sheet = project / "sheet.yaml"
    sheet.write_text(sheet.read_text("utf-8") + f"parts: {parts}\n", "utf-8")
    told(wellread("check", project), 1, 10)


@pytest.mark.parametrize(
    "key",
    [
        "machine",
        "custodian",
        "readers",
        "boards",
        "chips",
        "readings",
        "spaces",
        "rights",
        "release",
        "wirings",
        "twins",
    ],
)
@pytest.mark.parametrize(
    "value",
    ["[X]", "[[X]]", "{a: [b]}", "[{chip: [U1]}]", "{a: {kind: [x]}}", "''", "x", "[{lanes: {a: 1}}]"],
)
def test_every_table_of_odd_shapes(project: Path, key: str, value: str) -> None:
    lines = drilled.SHEET.splitlines(keepends=True)
    kept, skipping = [], False
    for line in lines:
        if line[0] not in " -":
            skipping = line.startswith(f"{key}:")
        if not skipping:
            kept.append(line)
    (project / "sheet.yaml").write_text("".join(kept) + f"{key}: {value}\n", "utf-8")
    told(wellread("check", project), 1, 10, 24, 0)


@pytest.mark.parametrize("other", ["part: '9999X'", "organisation: 32x8", "part: '2716'", "state: not-read"])
@pytest.mark.parametrize("ident", ["U2", "u2"])
def test_two_chips_of_one_id_of_which_one_is_not_known(project: Path, ident: str, other: str) -> None:
    sheet = project / "sheet.yaml"
    again = f"  - {{chip: {ident}, board: main, {other}}}\nspaces:\n"
    sheet.write_text(sheet.read_text("utf-8").replace("spaces:\n", again), "utf-8")
    ran = wellread("check", project)
    told(ran, 1)
    assert "an id that no other chip has" in ran.out


# --- tables in a spreadsheet ------------------------------------------------------------------------------


def xlsx() -> bytes:
    import openpyxl

    book = openpyxl.Workbook()
    assert book.active is not None
    for row in (
        ["chip", "part", "board", "socket"],
        ["U1", "2716", "main", "U1"],
        ["U2", "2716", "main", "U2"],
    ):
        book.active.append(row)
    held = io.BytesIO()
    book.save(held)
    return held.getvalue()


def damaged_deflate(raw: bytes) -> bytes:
    """The sheet's packed bytes changed in their middle."""
    with zipfile.ZipFile(io.BytesIO(raw)) as packed:
        info = packed.getinfo("xl/worksheets/sheet1.xml")
    at = info.header_offset + 30 + len(info.filename)
    middle = at + info.compress_size // 2
    return raw[:middle] + b"\xff" * 20 + raw[middle + 20 :]


def odd_version(raw: bytes) -> bytes:
    """Every entry says that it needs version 9.9 to be unpacked."""
    return raw.replace(b"PK\x01\x02\x14\x03\x14\x00", b"PK\x01\x02\x14\x03\x63\x00").replace(
        b"PK\x03\x04\x14\x00", b"PK\x03\x04\x63\x00"
    )


def odd_method(raw: bytes) -> bytes:
    out = bytearray(raw)
    for magic, off in ((b"PK\x01\x02", 10), (b"PK\x03\x04", 8)):
        at = out.find(magic)
        while at >= 0:
            struct.pack_into("<H", out, at + off, 97)
            at = out.find(magic, at + 4)
    return bytes(out)


def encrypted(raw: bytes) -> bytes:
    out = bytearray(raw)
    for magic, off in ((b"PK\x01\x02", 8), (b"PK\x03\x04", 6)):
        at = out.find(magic)
        while at >= 0:
            out[at + off] |= 1
            at = out.find(magic, at + 4)
    return bytes(out)


@pytest.mark.parametrize("damage", [damaged_deflate, odd_version, odd_method, encrypted])
def test_spreadsheets_that_are_damaged_or_of_an_odd_version(
    project: Path, damage: Callable[[bytes], bytes]
) -> None:
    text = drilled.SHEET
    start, end = text.index("chips:"), text.index("spaces:")
    (project / "sheet.yaml").write_text(text[:start] + "chips: chips.xlsx\n" + text[end:], "utf-8")
    raw = damage(xlsx())
    assert raw != xlsx()
    (project / "chips.xlsx").write_bytes(raw)
    told(wellread("check", project), 1, 10)


# --- archives ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["\0bag/data/a.bin", "", "/", "bag/"])
def test_a_zip_with_a_member_without_a_name(tmp_path: Path, name: str) -> None:
    bag_cases.bag(tmp_path / "bag")
    path = tmp_path / "bag.zip"
    with zipfile.ZipFile(path, "w") as packed:
        for each in sorted((tmp_path / "bag").rglob("*")):
            packed.write(each, each.relative_to(tmp_path))
        odd = zipfile.ZipInfo("?")
        odd.filename = odd.orig_filename = name
        packed.writestr(odd, b"")
    told(wellread("recheck", path), 0, 1, 14, 27)


# --- a record whose digests were made anew ----------------------------------------------------------------


def rehashed(bag: Path, record: bytes) -> None:
    """Put a record into a bag and make all digests fit, so that what reads it is reached."""
    (bag / "metadata/record.json").write_bytes(record)
    bag_cases.seal(bag)


def changed(change: Callable[[Any], object]) -> Callable[[bytes], bytes]:
    def apply(raw: bytes) -> bytes:
        record = json.loads(raw)
        change(record)
        return json.dumps(record).encode()

    return apply


RECORDS: dict[str, Callable[[bytes], bytes]] = {
    "no UTF-8": lambda raw: raw.replace(b"wellread", b"\xff\xfe\xfd", 1),
    "no UTF-8 among the chips": lambda raw: raw[:-40] + b"\xff" + raw[-40:],
    "no head": lambda _raw: b'{"chips": []}',
    "no chips": changed(lambda record: record.pop("chips")),
    "a list": lambda _raw: b"[]",
    "null": lambda _raw: b"null",
    "nothing": lambda _raw: b"",
    "a number of 5,000 digits": lambda raw: raw.replace(
        b'"version": 1,', b'"version": ' + b"9" * 5000 + b",", 1
    ),
    "a number of 5,000 digits in a chip": lambda raw: raw.replace(
        b'"words":', b'"words": ' + b"9" * 5000 + b', "w":', 1
    ),
    "infinite": lambda raw: raw.replace(b'"version": 1,', b'"version": 1e999,', 1),
    "deep": lambda _raw: b"[" * 100_000,
    "unknown fields in parts": changed(lambda record: record["parts"]["2716"].update(unheard_of=[1])),
    "parts of another shape": changed(lambda record: record.update(parts=[1])),
    "a part of another shape": changed(lambda record: record["parts"].update({"2716": "x"})),
    "a lone surrogate": lambda raw: raw.replace(b'"bag": "', b'"bag": "\\ud800', 1),
}


def without(key: str, *, chip: bool = False) -> Callable[[bytes], bytes]:
    """The record, or its first chip, without a key."""

    def change(record: Any) -> None:
        (record["chips"][0] if chip else record).pop(key, None)

    return changed(change)


def having(key: str, value: object, *, chip: bool = False) -> Callable[[bytes], bytes]:
    """The record, or its first chip, with another value for a key."""

    def change(record: Any) -> None:
        (record["chips"][0] if chip else record)[key] = value

    return changed(change)


HEAD = [
    "schema",
    "bag",
    "machine",
    "software",
    "parts",
    "sheet",
    "created",
    "grades",
    "release",
    "rights",
    "readers",
    "spaces",
    "attachments",
]
CHIP = ["chip", "readings", "image", "grade", "findings", "organisation", "part", "regions"]
RECORDS |= {f"no {key}": without(key) for key in HEAD}
RECORDS |= {f"null for {key}": having(key, None) for key in HEAD}
RECORDS |= {f"a text for {key}": having(key, "x") for key in HEAD}
RECORDS |= {f"a chip without {key}": without(key, chip=True) for key in CHIP}
RECORDS |= {f"a chip with a list for {key}": having(key, [1], chip=True) for key in CHIP}


RECORDS |= {
    "an image without a path": changed(lambda record: record["chips"][1]["image"].pop("path")),
    "a space that does not say whether it is whole": changed(
        lambda record: record["spaces"][0].pop("incomplete")
    ),
    "a space that does not say whether it is settled": changed(
        lambda record: record["spaces"][0].pop("unsettled")
    ),
}
RECORDS |= {
    f"a space without its {key}": changed(lambda record, key=key: record["spaces"][0].pop(key))  # type: ignore[misc]
    for key in ("size_bytes", "sha256", "sha512", "path")
}


def finding(**facts: object) -> Callable[[bytes], bytes]:
    """The record with a finding on each chip of which nothing but this is said of what was seen."""
    said = {"severity": "note", "means": "x", "also": "x", "next": "x", **facts}

    def change(record: Any) -> None:
        for chip in record["chips"]:
            chip["findings"].append({"chip": chip["chip"], **said})

    return changed(change)


RECORDS |= {
    "a finding without what was seen": finding(code="text"),
    "a processor without what was seen": finding(code="runs-on"),
    "processors of another shape": finding(code="runs-on", evidence={"families": 1}),
    "no processor at all": finding(code="runs-on", evidence={"families": []}),
    "an answer to a processor of another shape": finding(
        code="runs-on", evidence={"families": [None, {}], "answer": ["x"]}
    ),
}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    shutil.copytree(drilled.packaged() / "m-v1", folder / "m-v1")
    return folder / "m-v1"


@pytest.mark.parametrize("name", drilled_but(RECORDS, *list(RECORDS)[::4]))
def test_a_record_that_was_altered_with_all_its_digests(made: Path, tmp_path: Path, name: str) -> None:
    bag = tmp_path / "m-v1"
    shutil.copytree(made, bag)
    rehashed(bag, RECORDS[name]((made / "metadata/record.json").read_bytes()))
    codes = (0, 10, 11, 13, 14, 19, 22, 23, 24, 27)
    told(wellread("release", bag, "--into", tmp_path / "out", "--quiet"), *codes)
    told(wellread("reopen", bag, "--into", tmp_path / "again", "--quiet"), *codes)
    told(
        wellread(
            "burn",
            bag,
            "--chip",
            "U1",
            "--into",
            "2716",
            "--format",
            "binary",
            "--output",
            tmp_path / "b.bin",
        ),
        *codes,
    )
    told(wellread("changes", made, bag), *codes, 1)
    told(wellread("listing", bag, "--chip", "U1"), *codes)
    (tmp_path / "p").mkdir()
    drilled.project(tmp_path / "p")
    shutil.copytree(bag, tmp_path / "p/m-v1")
    told(wellread("package", tmp_path / "p/m", "--into", tmp_path / "p", "--quiet"), *codes)


UNTRUE: dict[str, Callable[[bytes], bytes]] = {
    "a sheet's digest": changed(lambda record: record["sheet"][0].update(sha256="0" * 64)),
    "a sheet's other digest": changed(lambda record: record["sheet"][0].update(sha512="0" * 128)),
    "a document's digest": changed(lambda record: record["attachments"][0].update(sha256="0" * 64)),
    "a reading's digest": changed(
        lambda record: record["chips"][1]["readings"][0]["files"][0].update(sha256="0" * 64)
    ),
    "a reading's place": changed(
        lambda record: record["chips"][1]["readings"][0]["files"][0].update(path="data/docs/notes.txt")
    ),
    "an image's place": changed(
        lambda record: record["chips"][1]["image"].update(path="data/docs/notes.txt")
    ),
    "an image's digest": changed(lambda record: record["chips"][1]["image"].update(sha256="0" * 64)),
    "a space's digest": changed(lambda record: record["spaces"][0].update(sha256="0" * 64)),
}


@pytest.mark.parametrize("name", UNTRUE)
def test_a_record_that_says_of_a_file_what_the_manifests_do_not_is_not_used(
    made: Path, tmp_path: Path, name: str
) -> None:
    bag = tmp_path / "m-v1"
    shutil.copytree(made, bag)
    record = json.loads((made / "metadata/record.json").read_bytes())
    assert record["chips"][1]["image"], "the second chip has an image"
    rehashed(bag, UNTRUE[name](json.dumps(record).encode()))
    assert wellread("recheck", bag).code == 0
    commands: tuple[list[str | Path], ...] = (
        ["release", bag, "--into", tmp_path / "out"],
        ["reopen", bag, "--into", tmp_path / "again"],
        ["burn", bag, "--chip", "U2", "--into", "2716", "--output", tmp_path / "b.bin"],
    )
    for command in commands:
        ran = wellread(*command)
        told(ran, 14)
        assert "Do not trust this bag's record" in ran.err
    assert sorted(path.name for path in tmp_path.iterdir() if path.name != "out") == ["m-v1"]


@pytest.mark.parametrize("value", [" ", "x", "-1", "1e9", "9" * 5000, "٣"])
def test_a_fixed_clock_that_is_none(project: Path, monkeypatch: pytest.MonkeyPatch, value: str) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", value)
    told(wellread("package", project, "--into", project.parent), 18)
    told(wellread("recheck", project.parent, "--ledger", project.parent / "l", "--new-ledger"), 18)
