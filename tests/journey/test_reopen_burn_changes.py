"""`wellread reopen`, `burn` and `changes` from the command line, on the example's bag."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from pipeline.catalogue import load
from pipeline.formats import Declared, decode
from pipeline.publish.programming import plan_burn
from pipeline.run.schemas import schema_document
from pipeline.steps import image_words
from tests.journey.cli import wellread
from tests.kit.example_bags import EPOCH, EXAMPLE, bag_of, example_bag, example_bundle, record_of
from tests.property.test_burn_reads_back import assert_reads_back


@pytest.fixture(autouse=True)
def _clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)


# Reopening


@pytest.fixture(scope="module")
def reopened(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The project folder from the bag, beside a copy of the bag."""
    place = tmp_path_factory.mktemp("reopened")
    shutil.copytree(example_bag(), place / "bags" / "loom-78-v1")
    done = wellread("reopen", place / "bags" / "loom-78-v1", "--into", place / "project", "--json")
    assert done.code == 0, done.err
    jsonschema.validate(done.document, schema_document("reopen"))
    return place


def project_files(folder: Path) -> dict[str, bytes]:
    tops = ("sheet.yaml", "dumps", "photos", "docs")
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.relative_to(folder).parts[0] in tops
    }


def test_a_reopened_folder_holds_the_project_file_for_file(reopened: Path) -> None:
    wanted = project_files(EXAMPLE)
    assert len(wanted) == 47
    assert project_files(reopened / "project") == wanted
    assert {path.name for path in (reopened / "project").iterdir()} == {
        "sheet.yaml",
        "dumps",
        "photos",
        "docs",
    }


def test_packaging_a_reopened_folder_says_that_nothing_has_changed(reopened: Path) -> None:
    done = wellread("package", reopened / "project", "--into", reopened / "bags", "--json")
    assert done.code == 0
    assert done.document["same_as"] == "loom-78-v1"
    assert [path.name for path in (reopened / "bags").iterdir()] == ["loom-78-v1"]


def test_a_correction_in_a_reopened_folder_makes_the_next_version(tmp_path: Path) -> None:
    shutil.copytree(example_bag(), tmp_path / "bags" / "loom-78-v1")
    wellread("reopen", tmp_path / "bags" / "loom-78-v1", "--into", tmp_path / "project")
    sheet = tmp_path / "project" / "sheet.yaml"
    sheet.write_text(
        sheet.read_text(encoding="utf-8").replace('label: "MON 3.1 E"', 'label: "MON 3.1 EVEN"'),
        encoding="utf-8",
    )
    done = wellread("package", tmp_path / "project", "--into", tmp_path / "bags", "--json")
    assert Path(done.document["bag"]).name == "loom-78-v2"
    assert done.document["supersedes"] == "loom-78-v1"
    told = wellread(
        "changes", tmp_path / "bags" / "loom-78-v1", tmp_path / "bags" / "loom-78-v2", "--json"
    ).document
    (chip,) = [one for one in told["chips"] if one["kind"] == "evidence"]
    assert (chip["chip"], chip["facts"]) == ("MEM-U1", ["label: MON 3.1 E, now MON 3.1 EVEN"])


def test_reopening_never_writes_over_a_folder(reopened: Path) -> None:
    done = wellread("reopen", example_bag(), "--into", reopened / "project")
    assert done.code == 15
    assert project_files(reopened / "project") == project_files(EXAMPLE)


@pytest.mark.parametrize(
    "name",
    [
        "../evil.bin",
        "/etc/evil",
        "dumps/../../evil",
        "C:\\evil",
        "C:/evil",
        "other/evil",
        "dumps/a\u001b[31m",
    ],
)
def test_a_record_that_names_a_place_outside_the_folder_is_refused(name: str) -> None:
    from pipeline.errors import UnsafeError
    from pipeline.run.keep.reopen import _safe

    with pytest.raises(UnsafeError):
        _safe(name, sheet=False)
    assert _safe("dumps/a b.bin", sheet=False) == "dumps/a b.bin"


def test_a_damaged_bag_is_not_reopened(tmp_path: Path) -> None:
    bag = tmp_path / "loom-78-v1"
    shutil.copytree(example_bag(), bag)
    (bag / "data/docs/board-notes.txt").unlink()
    done = wellread("reopen", bag, "--into", tmp_path / "project")
    assert done.code == 14
    assert [path.name for path in tmp_path.iterdir()] == ["loom-78-v1"]


# Burning


def burned(*arguments: str | Path) -> dict[str, Any]:
    done = wellread("burn", *arguments, "--json")
    assert done.code == 0, done.err
    jsonschema.validate(done.document, schema_document("burn"))
    return done.document


@pytest.mark.parametrize("form", ["binary", "intel-hex", "s-record"])
@pytest.mark.parametrize(
    ("chip", "into"),
    [
        ("MEM-U1", "2732"),
        ("MEM-U2", "28C16"),
        ("SEQ-U1", "2716"),
        ("SEQ-U8", "27512"),
        ("PAT-U6", "27512"),
        ("PAT-U2", "2716"),
    ],
)
def test_a_burned_chip_in_the_old_socket_reads_the_old_image(
    chip: str, into: str, form: str, tmp_path: Path
) -> None:
    """The file is what the plan says, and the plan through the socket model gives the bag's image back."""
    output = tmp_path / "file"
    selects = ["--select", "21=high"] if chip == "PAT-U2" else []
    document = burned(
        example_bundle(), "--chip", chip, "--into", into, "--format", form, "--output", output, *selects
    )
    record = next(one for one in record_of(example_bag())["chips"] if one["chip"] == chip)
    bits = int(record["organisation"].split("x")[1])
    image = image_words((example_bag() / record["image"]["path"]).read_bytes(), bits)
    (blocks,) = decode(output.read_bytes(), Declared(format=form, bits=8)).runs
    content = np.concatenate([block.words for block in blocks])
    catalogue = load().with_parts([_own_part(record)] if chip == "PAT-U2" else [])
    plan = plan_burn(image, catalogue.find(record["catalogued"]), catalogue.find(into))
    assert np.array_equal(content, plan.words)
    assert document["files"][0]["sum16"] == f"{int(content.sum(dtype=np.uint64)) & 0xFFFF:04X}"
    assert_reads_back(plan, image, {}, seed=5, samples=200)


def _own_part(record: dict[str, Any]) -> Any:
    from schemas.part import Part

    return Part.model_validate(record_of(example_bag())["parts"][record["catalogued"]])


def test_other_libraries_read_the_intended_layout(tmp_path: Path) -> None:
    """Source: intelhex and bincopy from PyPI; layout by common practice.

    2716 in 2732 in the upper half (logic).
    """
    bincopy, intelhex = pytest.importorskip("bincopy"), pytest.importorskip("intelhex")
    image = (example_bag() / "data/images/mem/MEM-U1.bin").read_bytes()
    for form, ending in (("intel-hex", "hex"), ("s-record", "s19")):
        burned(
            example_bag(),
            "--chip",
            "MEM-U1",
            "--into",
            "2732",
            "--format",
            form,
            "-o",
            tmp_path / f"upper.{ending}",
        )
        burned(
            example_bag(),
            "--chip",
            "MEM-U1",
            "--into",
            "2732",
            "--layout",
            "repeat",
            "--format",
            form,
            "-o",
            tmp_path / f"twice.{ending}",
        )
    assert intelhex.IntelHex(str(tmp_path / "upper.hex")).tobinstr() == b"\xff" * 2048 + image
    assert intelhex.IntelHex(str(tmp_path / "twice.hex")).tobinstr() == image * 2
    assert bincopy.BinFile(str(tmp_path / "upper.s19")).as_binary() == b"\xff" * 2048 + image
    assert bincopy.BinFile(str(tmp_path / "twice.s19")).as_binary() == image * 2


@pytest.mark.parametrize(("chip", "grade"), [("PAT-U5", "faulty"), ("PAT-U3", "contested")])
def test_an_unsettled_image_needs_even_so_and_is_burned_with_a_warning(
    chip: str, grade: str, tmp_path: Path
) -> None:
    arguments = ("burn", example_bag(), "--chip", chip, "--into", "2716", "-o", tmp_path / "x.bin")
    done = wellread(*arguments)
    assert done.code == 23
    assert f"graded {grade}" in done.err
    assert not (tmp_path / "x.bin").exists()
    done = wellread(*arguments, "--even-so")
    assert done.code == 0
    assert f"The image is {grade.upper()}" in done.out


def test_a_part_that_cannot_hold_the_image_is_refused_and_others_are_named(tmp_path: Path) -> None:
    done = wellread("burn", example_bag(), "--chip", "MEM-U1", "--into", "82S123", "-o", tmp_path / "x.bin")
    assert done.code == 22
    assert "2716" in done.err
    assert "Parts that can" in done.err
    assert list(tmp_path.iterdir()) == []


def test_burn_writes_over_nothing(tmp_path: Path) -> None:
    (tmp_path / "x.bin").write_bytes(b"mine")
    assert (
        wellread("burn", example_bag(), "--chip", "MEM-U1", "--into", "2716", "-o", tmp_path / "x.bin").code
        == 15
    )
    assert (tmp_path / "x.bin").read_bytes() == b"mine"


def test_polarity_and_line_order_of_the_target_can_be_asked_for(tmp_path: Path) -> None:
    order = ",".join(f"D{line}" for line in reversed(range(8)))
    burned(
        example_bag(),
        "--chip",
        "MEM-U1",
        "--into",
        "2716",
        "-o",
        tmp_path / "x.bin",
        "--data-order",
        order,
        "--invert-data",
        "D0,D1,D2,D3,D4,D5,D6,D7",
    )
    image = (example_bag() / "data/images/mem/MEM-U1.bin").read_bytes()
    assert (tmp_path / "x.bin").read_bytes() == bytes(int(f"{byte:08b}"[::-1], 2) ^ 0xFF for byte in image)


def test_the_microcode_is_shared_out_over_three_chips_of_sixteen_bits(tmp_path: Path) -> None:
    out = tmp_path / "set"
    document = burned(example_bag(), "--space", "microcode", "--into", "27C1024", "-o", out)
    assert sorted(path.name for path in out.iterdir()) == sorted(one["name"] for one in document["files"])
    assert [one["bits"] for one in document["files"]] == [[47, 32], [31, 16], [15, 0]]
    space = (example_bag() / "data/spaces/microcode.bin").read_bytes()
    lanes = [(out / one["name"]).read_bytes() for one in document["files"]]
    assert {len(lane) for lane in lanes} == {65536 * 2}
    joined = b"".join(lane[2 * n : 2 * n + 2] for n in range(512) for lane in lanes)
    assert joined == space
    assert all(set(lane[1024:]) == {0xFF} for lane in lanes)


def test_an_incomplete_space_needs_even_so(tmp_path: Path) -> None:
    arguments = ("burn", example_bag(), "--space", "yarn-plan", "--into", "2716", "-o", tmp_path / "set")
    done = wellread(*arguments)
    assert done.code == 23
    assert "incomplete" in done.err
    assert wellread(*arguments, "--even-so").code == 0


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (("--chip", "MEM-U9", "--into", "2716"), 14),
        (("--chip", "PAT-U4", "--into", "2716"), 14),
        (("--into", "2716"), 2),
        (("--chip", "MEM-U1", "--into", "9999"), 13),
        (("--chip", "MEM-U1", "--into", "2716", "--format", "jpeg"), 2),
        (("--chip", "MEM-U1", "--into", "2716", "--layout", "spiral"), 2),
        (("--space", "moon", "--into", "2716"), 14),
        (("--chip", "MEM-U1", "--into", "2716", "--data-order", "D0,x"), 2),
        (("--chip", "MEM-U1", "--into", "2716", "--select", "20"), 2),
        (("--chip", "MEM-U1", "--into", "2716", "--data-order", "D0,D0"), 22),
    ],
    ids=str,
)
def test_what_cannot_be_burned_has_a_code_and_a_remedy(
    arguments: tuple[str, ...], code: int, tmp_path: Path
) -> None:
    done = wellread("burn", example_bag(), *arguments, "-o", tmp_path / "x.bin")
    assert done.code == code, done.err
    assert done.err.strip()
    assert list(tmp_path.iterdir()) == []


# Changes


def with_image(bag: Path, place: Path, chip: str, change: Any) -> Path:
    """A bag of the project whose readings of one chip are replaced by one raw file of another content."""
    project = place / "project"
    wellread("reopen", bag, "--into", project)
    record = next(one for one in record_of(bag)["chips"] if one["chip"] == chip)
    content = change(bytearray((bag / record["image"]["path"]).read_bytes()))
    for path in (project / "dumps").glob(f"{chip}.*"):
        path.unlink()
    (project / "dumps" / f"{chip}.prog.1.bin").write_bytes(bytes(content))
    sheet = project / "sheet.yaml"
    lines = sheet.read_text(encoding="utf-8").splitlines(keepends=True)
    sheet.write_text("".join(line for line in lines if f"file: {chip}." not in line), encoding="utf-8")
    done = wellread("package", project, "--into", place / "bags", "--json")
    assert done.code == 0, done.err
    return Path(done.document["bag"])


def fade(content: bytearray) -> bytearray:
    """Twelve programmed cells leak to 1, scattered."""
    spots = [n for n in range(0, len(content), 37) if content[n] & 4 == 0][:12]
    assert len(spots) == 12
    for n in spots:
        content[n] |= 4
    return content


def revise(content: bytearray) -> bytearray:
    """A routine is rewritten."""
    content[0x100:0x140] = bytes(byte ^ 0x5A for byte in content[0x100:0x140])
    return content


@pytest.mark.parametrize(
    ("change", "judged"), [(fade, "fading"), (revise, "revision")], ids=["fade", "revise"]
)
def test_fading_is_told_from_a_revision(change: Any, judged: str, tmp_path: Path) -> None:
    new = with_image(example_bag(), tmp_path, "MEM-U1", change)
    done = wellread("changes", example_bag(), new, "--json")
    assert done.code == 0, done.err
    jsonschema.validate(done.document, schema_document("changes"))
    assert done.document["same_machine"]
    (chip,) = [one for one in done.document["chips"] if one["kind"] == "content"]
    assert (chip["chip"], chip["judged"]) == ("MEM-U1", judged)
    assert (chip["down"] == 0) == (judged == "fading")
    words = wellread("changes", example_bag(), new).out
    assert ("fades to" in words) == (judged == "fading")
    assert ("at word 0x100 to 0x13F" in words) == (judged == "revision")
    back = wellread("changes", new, example_bag(), "--json").document
    (chip,) = [one for one in back["chips"] if one["kind"] == "content"]
    assert chip["judged"] == ("older-faded" if judged == "fading" else "revision")


def test_two_machines_are_matched_by_board_and_socket(tmp_path: Path) -> None:
    text = (EXAMPLE / "sheet.yaml").read_text(encoding="utf-8")
    assert "id: loom-78\n" in text
    other = bag_of(
        tmp_path / "project",
        tmp_path / "bags",
        machine="id: loom-78\n␟id: loom-82\n",
        serial="serial: CW78-0413-Q␟serial: CW82-0001-A",
        label='label: "MON 3.1 O"␟label: "MON 3.2 O"',
    )
    done = wellread("changes", example_bag(), other)
    assert done.code == 0, done.err
    assert "two machines" in done.out
    assert "label: MON 3.1 O and MON 3.2 O" in done.out
    document = wellread("changes", example_bag(), other, "--json").document
    assert not document["same_machine"]
    assert document["counts"]["content"] == 0


def test_a_bundle_is_compared_with_its_bag_and_what_stayed_behind_is_not_called_a_change() -> None:
    document = wellread("changes", example_bag(), example_bundle(), "--json").document
    assert document["same_machine"]
    kinds = {one["chip"]: one["kind"] for one in document["chips"]}
    assert {chip for chip, kind in kinds.items() if kind != "same"} == {"PAT-U3", "PAT-U4"}
    assert set(kinds.values()) == {"same", "not-compared"}
    assert json.dumps(document).count("private")


def test_a_file_is_named_after_chip_and_part_where_nothing_else_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert (
        burned(example_bag(), "--chip", "MEM-U1", "--into", "2732", "--format", "intel-hex")["output"]
        == "MEM-U1.2732.hex"
    )
    burned(example_bag(), "--space", "microcode", "--into", "27C1024")
    assert {path.name for path in tmp_path.iterdir()} == {"MEM-U1.2732.hex", "microcode.27C1024"}
    assert (
        wellread("burn", example_bag(), "--chip", "MEM-U1", "--into", "2732", "--format", "intel-hex").code
        == 15
    )


def test_wide_words_are_written_in_the_byte_order_that_was_asked_for(tmp_path: Path) -> None:
    for order in ("big", "little"):
        burned(
            example_bag(),
            "--space",
            "program",
            "--into",
            "27C1024",
            "--byte-order",
            order,
            "-o",
            tmp_path / order,
        )
    big, little = (next((tmp_path / order).iterdir()).read_bytes() for order in ("big", "little"))
    assert big[:8192] == (example_bag() / "data/spaces/program.bin").read_bytes()
    assert little[0::2] == big[1::2]
    assert little[1::2] == big[0::2]


def test_bits_that_are_contested_in_one_of_them_are_no_change(tmp_path: Path) -> None:
    old = next(one for one in record_of(example_bag())["chips"] if one["chip"] == "PAT-U3")

    def flipped(content: bytearray) -> bytearray:
        for bit in old["contested"]["listed"]:
            content[bit["address"]] ^= 1 << int(bit["line"][1:])
        return content

    new = with_image(example_bag(), tmp_path, "PAT-U3", flipped)
    document = wellread("changes", example_bag(), new, "--json").document
    (chip,) = [one for one in document["chips"] if one["kind"] == "content"]
    assert (chip["chip"], chip["judged"], chip["contested_bits"], chip["differing_words"]) == (
        "PAT-U3",
        "unsettled",
        6,
        0,
    )
    assert any(fact.startswith("grade: contested, now") for fact in chip["facts"])
