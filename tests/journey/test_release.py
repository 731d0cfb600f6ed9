"""`wellread release`, from the command line: what goes out, what never does, and always the same bytes."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import jsonschema
import pytest
import yaml
from pydantic import BaseModel

from example_project.making.pictures import GPS_EAST, GPS_NORTH
from pipeline.bags.validate import judge
from pipeline.edges.bags.observe import observe
from pipeline.run.schemas import schema_document
from schemas.base import follows, private_fields
from schemas.record import Record
from schemas.sheet import Board, Chip, Custodian, Machine, Reader, ReadingRow
from tests.journey.cli import wellread
from tests.kit.example_bags import (
    EPOCH,
    EXAMPLE,
    ROOT,
    bag_of,
    example_bag,
    example_bundle,
    record_of,
    released,
)
from tests.kit.examples import drilled_but

MARKED = {
    "machine": ("accession", "serial"),
    "custodian": ("contact", "place"),
    "readers": ("serial", "operator", "notes"),
    "boards": ("serial", "notes"),
    "chips": ("notes",),
    "readings": ("operator", "notes"),
}
"""The private fields by hand: the program takes them from the schemas, this list from the issue."""


def private_values() -> list[str]:
    """Every private value of the example's sheet."""
    sheet = yaml.safe_load((EXAMPLE / "sheet.yaml").read_text(encoding="utf-8"))
    found = []
    for name, fields in MARKED.items():
        part = sheet[name]
        if name in ("machine", "custodian"):
            rows = [part]
        else:
            rows = list(part.values()) if isinstance(part, dict) else part
        found += [str(row[field]) for row in rows for field in fields if field in row]
    return sorted(set(found))


def members(bundle: Path) -> dict[str, bytes]:
    return {
        path.relative_to(bundle).as_posix(): path.read_bytes()
        for path in sorted(bundle.rglob("*"))
        if path.is_file()
    }


def forms(value: str) -> set[bytes]:
    """A text as the formats of a bundle could hold it: plain, folded, escaped."""
    folded = " ".join(value.split())
    html = folded.replace("&", "&amp;").replace("'", "&#39;")
    return {
        one.encode(encoding)
        for one in (value, folded, html)
        for encoding in ("utf-8", "utf-16-le", "utf-16-be")
    }


def test_the_schemas_mark_the_same_fields_private_as_the_issue_does() -> None:
    models: dict[str, type[BaseModel]] = {
        "machine": Machine,
        "custodian": Custodian,
        "readers": Reader,
        "boards": Board,
        "chips": Chip,
        "readings": ReadingRow,
    }
    assert {name: tuple(sorted(private_fields(model))) for name, model in models.items()} == {
        name: tuple(sorted(fields)) for name, fields in MARKED.items()
    } | {
        # The example has no accession.
        "machine": ("accession", "serial"),
        "boards": ("accession", "notes", "serial"),
        "chips": ("accession", "notes"),
    }


def test_the_example_has_private_values_of_every_kind_and_its_bag_holds_them() -> None:
    values = private_values()
    assert {"CW78-0413-Q", "Tamsin Vrooke", "ilsabet.quorne@woven-things.example", "SQ-00977"} <= set(values)
    bag = b"".join(members(example_bag()).values())
    assert [value for value in values if not any(form in bag for form in forms(value))] == []


def test_no_private_value_is_in_any_member_nor_in_the_zip() -> None:
    held = members(example_bundle()) | {"the zip": Path(released()["zip"]).read_bytes()}
    values = private_values()
    assert len(held) > 60
    assert len(values) >= 12
    found = [
        (path, value)
        for path, content in held.items()
        for value in values
        if any(form.lower() in content.lower() for form in forms(value))
    ]
    assert found == []


def test_no_place_and_no_artist_is_left_in_the_photographs() -> None:
    import struct

    gps = [b"".join(struct.pack(">II", *pair) for pair in place) for place in (GPS_NORTH, GPS_EAST)]
    before, after = members(example_bag()), members(example_bundle())
    photos = [path for path in after if path.startswith("data/photos/")]
    assert len(photos) == 3
    for path in photos:
        assert all(place in before[path] for place in gps)
        assert not any(place in after[path] for place in gps)
        assert b"Exif" not in after[path]
        assert b"eXIf" not in after[path]


def test_the_private_chip_its_space_and_its_reading_stay_behind() -> None:
    bundle = members(example_bundle())
    record = record_of(example_bundle())
    chip = next(one for one in record["chips"] if one["chip"] == "PAT-U3")
    assert (chip["grade"], chip["image"], chip["readings"], chip["findings"]) == ("contested", None, [], [])
    assert chip["contested"] == {"bits": 6, "words": 6, "listed": []}
    assert not {"label", "role", "notes", "view"} & chip.keys()
    # The report tells that the chip exists and why it stays behind; nothing else bears its name.
    kept = [path for path in bundle if not path.startswith("data/report/")]
    assert not [path for path in kept if "PAT-U3" in path or "mill" in path]
    image = (example_bag() / "data/images-unsettled/pat/PAT-U3.bin").read_bytes()
    assert not [path for path, content in bundle.items() if image[:64] in content]
    digest = next(
        one["image"]["sha256"] for one in record_of(example_bag())["chips"] if one["chip"] == "PAT-U3"
    )
    assert not [path for path, content in bundle.items() if digest.encode() in content]
    space = next(one for one in record["spaces"] if one["name"] == "weaves.mill")
    assert space["withheld"]
    assert "sha256" not in space
    told = next(one for one in record["chips"] if one["chip"] == "SEQ-U4")
    assert [one["reading"] for one in told["readings"]] == ["SEQ-U4.hb.2"]
    assert told["withheld_readings"] == 1


def test_only_readings_marked_public_go_out_as_read_and_the_others_by_digest() -> None:
    bundle = members(example_bundle())
    assert sorted(path for path in bundle if path.startswith("data/readings/")) == [
        "data/readings/mem/MEM-U1/MEM-U1.prog.1.bin",
        "data/readings/seq/SEQ-U1/SEQ-U1.prog.1.bin",
    ]
    files = [f for c in record_of(example_bundle())["chips"] for r in c["readings"] for f in r["files"]]
    away = [one for one in files if not one.get("path")]
    assert len(away) > 20
    for one in away:
        assert re.fullmatch("[0-9a-f]{64}", one["sha256"])
        assert one["withheld"]
        assert not {"original_name", "notes", "forgiven"} & one.keys()


def test_a_file_whose_name_stays_behind_is_told_by_its_reading_on_the_report() -> None:
    page = (example_bundle() / "data/report/index.html").read_text(encoding="utf-8")
    assert 'data-what="SHA-256 of MEM-U1.hb.1"' in page
    assert "<li><bdi></bdi>" not in page
    assert 'data-what="SHA-256 of "' not in page


def test_grades_travel_to_the_first_page() -> None:
    text = (example_bundle() / "README.txt").read_text(encoding="utf-8")
    top = text.split("GET IT")[0]
    for grade, count, chips in (
        ("faulty", 1, "PAT-U5"),
        ("contested", 2, "PAT-U3, BOX-U2"),
        ("missing", 1, "PAT-U4"),
        ("single", 2, "SEQ-U2, BOX-U1"),
    ):
        assert re.search(rf"{grade}\s+{count}\s.*\n\s+{chips}\n", top)


def test_the_first_page_names_spaces_that_are_not_whole() -> None:
    text = (example_bundle() / "README.txt").read_text(encoding="utf-8")
    assert "  space yarn-plan: incomplete\n" in text.split("GET IT")[0]


def test_images_come_in_three_formats_and_unsettled_ones_apart() -> None:
    paths = set(members(example_bundle()))
    assert {f"data/images/mem/MEM-U1.{ending}" for ending in ("bin", "hex", "s19")} <= paths
    assert {f"data/images-unsettled/pat/PAT-U5.{ending}" for ending in ("bin", "hex", "s19")} <= paths
    assert not [path for path in paths if path.startswith("data/images/") and "PAT-U5" in path]


def test_the_summary_names_what_stays_and_why_for_every_chip() -> None:
    document = released()
    jsonschema.validate(document, schema_document("release"))
    assert {"bundle", "zip", "zip_sha256", "withheld"} <= document.keys()
    assert [chip["chip"] for chip in document["chips"]] == [
        one["chip"] for one in record_of(example_bag())["chips"]
    ]
    fields = {one["what"] for one in document["withheld"] if one["kind"] == "field"}
    marked = {f"{name}.{field}" for name, fields in MARKED.items() for field in fields}
    assert fields == marked - {"machine.accession"}  # the example says none
    done = wellread("release", example_bag(), "--dry-run")
    assert done.code == 0
    assert re.search(r"PAT-U3 +contested +nothing but its place and grade", done.out)
    assert "the sheet marks this reading private: SEQ-U4.hb.1" in done.out
    assert "Nothing was written." in done.out


def test_a_dry_run_writes_nothing(tmp_path: Path) -> None:
    done = wellread("release", example_bag(), "--into", tmp_path / "new", "--dry-run", "--json")
    assert done.code == 0
    assert (done.document["bundle"], done.document["zip"], done.document["dry_run"]) == (None, None, True)
    assert list(tmp_path.iterdir()) == []


def test_the_bundle_is_a_valid_bag_whose_record_follows_its_schema() -> None:
    assert wellread("recheck", example_bundle(), "--json").document["bags"][0]["valid"]
    assert judge(observe(Path(released()["zip"]))).valid
    record = record_of(example_bundle())
    follows(Record, json.dumps(record), unknown="forbid")
    jsonschema.validate(record, schema_document("record"))
    assert record["released_from"]["bag"] == "loom-78-v1"
    assert "sheet.yaml" not in {Path(path).name for path in members(example_bundle())}


def test_a_bundle_is_not_released_nor_reopened(tmp_path: Path) -> None:
    assert wellread("release", example_bundle(), "--into", tmp_path).code == 14
    done = wellread("reopen", example_bundle(), "--into", tmp_path / "x")
    assert done.code == 14
    assert "public bundle" in done.err
    assert list(tmp_path.iterdir()) == []


def test_a_bag_with_one_flipped_bit_is_not_released(tmp_path: Path) -> None:
    bag = tmp_path / "loom-78-v1"
    shutil.copytree(example_bag(), bag)
    image = bag / "data/images/mem/MEM-U1.bin"
    content = bytearray(image.read_bytes())
    content[7] ^= 1
    image.write_bytes(content)
    done = wellread("release", bag)
    assert done.code == 14
    assert "does not pass recheck" in done.err
    assert "MEM-U1.bin" in done.err
    assert [path.name for path in tmp_path.iterdir()] == ["loom-78-v1"]


def test_without_rights_there_is_no_release_and_the_message_says_what_to_write(tmp_path: Path) -> None:
    text = (EXAMPLE / "sheet.yaml").read_text(encoding="utf-8")
    rights = text[text.index("rights:\n") : text.index("release:\n")]
    bag = bag_of(tmp_path / "project", tmp_path / "bags", rights=f"{rights}␟")
    done = wellread("release", bag)
    assert done.code == 19
    assert "rights: {statement" in done.err
    assert "release --help" in done.err


def test_without_a_word_only_metadata_and_digests_go_out(tmp_path: Path) -> None:
    text = (EXAMPLE / "sheet.yaml").read_text(encoding="utf-8")
    word = text[text.index("release:\n") : text.index("readers:\n")]
    bag = bag_of(tmp_path / "project", tmp_path / "bags", word=f"{word}␟")
    done = wellread("release", bag, "--into", tmp_path / "out", "--json")
    assert done.code == 0, done.err
    assert done.document["content"] is False
    bundle = members(Path(done.document["bundle"]))
    data = {path for path in bundle if path.startswith("data/")}
    assert {path for path in data if not path.startswith("data/report/chips/")} == {"data/report/index.html"}
    page = bundle["data/report/index.html"]
    assert b"data:image/png" not in page
    for chip in record_of(bag)["chips"]:
        if chip["image"] and not chip.get("private"):
            content = (bag / chip["image"]["path"]).read_bytes()
            assert chip["image"]["sha256"].encode() in bundle["checksums-matching.txt"]
            assert not [path for path, held in bundle.items() if len(content) > 31 and content[:32] in held]
    shown = [
        region["preview"]
        for chip in record_of(bag)["chips"]
        for region in chip["regions"]
        if region["kind"] == "text"
    ]
    assert shown
    plain = b"".join(bundle.values())
    assert not [text for text in shown if len(text) > 12 and text.rstrip(" …").encode() in plain]


def test_documents_go_out_only_by_name_and_never_with_a_private_value(tmp_path: Path) -> None:
    project = tmp_path / "project"
    named = (
        "  allowed_by: Ilsabet Quorne for␟  documents: [docs/rights-search.txt, docs/letter.txt, "
        "docs/gone.txt]\n  allowed_by: Ilsabet Quorne for"
    )
    shutil.copytree(EXAMPLE / "docs", tmp_path / "docs")
    bag_of(project, tmp_path / "first", named=named)
    (project / "docs" / "letter.txt").write_text(
        "Dear Mr. Smit,\nthe loom stands in the Tenter Lane  store, shelf 14-C.\n", encoding="utf-8"
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", EPOCH)
        bag = Path(wellread("package", project, "--into", tmp_path / "second", "--json").document["bag"])
    done = wellread("release", bag, "--into", tmp_path / "out", "--json").document
    assert [path for path in done["files"] if path.startswith("data/docs/")] == [
        "data/docs/rights-search.txt"
    ]
    why = {one["what"]: one["why"] for one in done["withheld"] if one["kind"] == "document"}
    assert why["data/docs/letter.txt"] == "it holds the text of a private field (custodian.place)"
    assert "data/docs/board-notes.txt" in why
    assert done["cautions"] == ["the sheet lets docs/gone.txt out, but the bag has no such document"]


def test_a_private_value_written_into_a_public_field_is_replaced_and_told(tmp_path: Path) -> None:
    bag = bag_of(
        tmp_path / "project",
        tmp_path / "bags",
        note="  holder: not found␟  holder: not found (ask TAMSIN vrooke, loom CW78-0413-Q)",
        aside="set_aside: The jumper of A5␟set_aside: tamsin  Vrooke found the jumper of A5",
        public=(
            "file: SEQ-U4.hb.2.log, date: 2023-09-16␟file: SEQ-U4.hb.2.log, date: 2023-09-16, public: true"
        ),
    )
    done = wellread("release", bag, "--into", tmp_path / "out", "--json").document
    bundle = members(Path(done["bundle"]))
    assert not [
        path for path, content in bundle.items() if re.search(rb"tamsin|vrooke|CW78", content, re.IGNORECASE)
    ]
    assert done["replaced"] == {"head, rights, holder": 2, "chip SEQ-U4, readings, files": 1}
    why = [one["why"] for one in done["withheld"] if one["what"].endswith("SEQ-U4.hb.2.log")]
    assert why == [
        "it holds the text of a private field (readers.operator), though the sheet marks it public"
    ]


@pytest.mark.parametrize(
    ("zone", "mask", "language"),
    drilled_but(
        [("Asia/Tokyo", 0o077, "C"), ("America/St_Johns", 0o000, "C.UTF-8"), ("UTC", 0o022, "POSIX")],
        ("Asia/Tokyo", 0o077, "C"),
        several=True,
    ),
)
def test_time_zone_umask_locale_and_file_order_leave_every_byte_alike(
    zone: str, mask: int, language: str, tmp_path: Path
) -> None:
    bag = tmp_path / "loom-78-v1"
    for source in sorted(example_bag().rglob("*"), reverse=True):  # another order of creation in every folder
        if source.is_file():
            target = bag / source.relative_to(example_bag())
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(source.read_bytes())
            os.utime(target, (1, 1))
    environment = {
        **os.environ,
        "TZ": zone,
        "LC_ALL": language,
        "LANG": language,
        "PYTHONHASHSEED": str(mask),
        "PYTHONUTF8": "0",
    }
    environment.pop("SOURCE_DATE_EPOCH", None)
    code = f"import os, sys; os.umask({mask}); from pipeline.__main__ import run; sys.exit(run(sys.argv[1:]))"
    done = subprocess.run(
        [sys.executable, "-c", code, "release", str(bag), "--into", str(tmp_path / "out"), "--quiet"],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == released()["zip_sha256"]


def test_source_date_epoch_dates_the_bundle_and_every_member(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1900000000")
    done = wellread("release", example_bag(), "--into", tmp_path, "--json").document
    with zipfile.ZipFile(done["zip"]) as packed:
        times = {member.date_time for member in packed.infolist()}
    assert times == {(2030, 3, 17, 17, 46, 40)}
    assert done["zip_sha256"] != released()["zip_sha256"]
    assert "2030-03-17" in (Path(done["bundle"]) / "CITATION.cff").read_text(encoding="utf-8")


def test_nothing_is_written_over_and_nothing_lands_inside_the_bag(tmp_path: Path) -> None:
    place = Path(released()["bundle"]).parent
    before = {path.name for path in place.iterdir()}
    done = wellread("release", example_bag(), "--into", place)
    assert done.code == 15
    assert {path.name for path in place.iterdir()} == before
    assert wellread("release", example_bag(), "--into", example_bag() / "data").code == 15
    (tmp_path / "loom-78-v1-public.zip").write_bytes(b"mine")
    assert wellread("release", example_bag(), "--into", tmp_path).code == 15
    assert [path.name for path in tmp_path.iterdir()] == ["loom-78-v1-public.zip"]


def test_the_help_explains_the_statements_and_gives_no_licence() -> None:
    text = " ".join(wellread("release", "--help").out.split())
    for words in (
        "CNE: nobody has looked into it yet",
        "InC-RUU",
        "NKC, NoC-US: not for orphans",
        "no legal advice",
        "A statement is a label, not a licence",
    ):
        assert words in text


def test_burn_takes_a_bundle_and_refuses_what_stayed_behind(tmp_path: Path) -> None:
    done = wellread("burn", example_bundle(), "--chip", "MEM-U1", "--into", "2716", "-o", tmp_path / "u1.bin")
    assert done.code == 0, done.err
    assert (tmp_path / "u1.bin").read_bytes() == (example_bag() / "data/images/mem/MEM-U1.bin").read_bytes()
    done = wellread(
        "burn", example_bundle(), "--chip", "PAT-U3", "--into", "2716", "--even-so", "-o", tmp_path / "u3.bin"
    )
    assert done.code == 14
    assert "private" in done.err


def test_the_pages_of_a_large_set_hold_no_private_value_either(tmp_path: Path) -> None:
    """From forty chips on, each has a page of its own."""
    project = tmp_path / "project"
    (project / "dumps").mkdir(parents=True)
    rows = []
    for number in range(42):
        (project / "dumps" / f"U{number}.prog.1.bin").write_bytes(
            bytes((7 * n + number) & 0xFF for n in range(32))
        )
        rows.append(
            f"  - {{chip: U{number}, part: 82S123, board: b{number % 2}, notes: 'Mended by Jorrit "
            f"Ostermaan', private: {number == 5}}}"
        )
    sheet = [
        "machine: {id: many, name: Many, serial: ZX-99812}",
        "rights: {statement: CC0-1.0}",
        "release: {allowed_by: the board, ground: minutes}",
        "readers: {prog: {kind: device-programmer, operator: Tamsin Vrooke}}",
        "boards: {b0: {notes: From the attic of number nine}, b1: {}}",
        "chips:",
        *rows,
    ]
    (project / "sheet.yaml").write_text("\n".join(sheet) + "\n", encoding="utf-8")
    bag = Path(wellread("package", project, "--json").document["bag"])
    done = wellread("release", bag, "--json")
    assert done.code == 0, done.err
    bundle = members(Path(done.document["bundle"]))
    pages = [path for path in bundle if path.startswith("data/report/chips/")]
    assert len(pages) == 42
    secrets = re.compile(rb"Ostermaan|Vrooke|ZX-99812|attic of number nine", re.IGNORECASE)
    assert [path for path, content in bundle.items() if secrets.search(content)] == []
    assert b"data:image" not in bundle["data/report/chips/b1/U5.html"]
    assert "data/images/b1/U5.bin" not in bundle
    assert "data/images/b1/U7.s19" in bundle
