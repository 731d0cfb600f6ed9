"""Three judges over one set of bags: ours, the common library, and a reader written from the RFC's text.

Source of every rule: RFC 8493 (October 2018), the section in `Case.clause`. Where the library says otherwise,
the case says so, and the clause decides.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import bagit
import pytest

from pipeline.bags.validate import judge
from pipeline.edges.bags.observe import observe
from pipeline.edges.bags.second_opinion import complaints_by_two, second_judge, second_opinion, shares_of
from tests.journey import drilled
from tests.journey.cli import wellread
from tests.outside import rfc8493
from tests.outside.bag_cases import Case, possible

EVERY = pytest.mark.parametrize("case", possible(), ids=lambda case: case.name.replace(" ", "-"))


@EVERY
def test_our_judge_says_what_the_clause_says_and_tells_every_kind_of_wound(
    case: Case, tmp_path: Path
) -> None:
    case.make(tmp_path / "bag")
    verdict = judge(observe(tmp_path / "bag"))
    told: set[str] = {each.kind for each in verdict.problems}
    assert (verdict.valid, told) == (case.valid, set(case.kinds)), verdict.problems
    assert verdict.complete == all(
        each.kind == "altered" or each.severity == "warning" for each in verdict.problems
    )


@EVERY
def test_the_reader_written_from_the_text_agrees_with_our_judge(case: Case, tmp_path: Path) -> None:
    case.make(tmp_path / "bag")
    said = rfc8493.problems(tmp_path / "bag")
    assert (not said) == case.valid, said


@EVERY
def test_the_library_agrees_or_is_listed_with_the_clause_that_decides(case: Case, tmp_path: Path) -> None:
    case.make(tmp_path / "bag")
    if (tmp_path / "bag/data/pipe").exists():
        pytest.skip("the library waits for the pipe forever (facts: P6)")
    said = second_opinion(tmp_path / "bag")
    expected = case.valid if case.library is None else case.library
    assert (not said) == expected, said


def test_every_exception_of_the_library_names_the_section_that_decides_or_says_that_the_rfc_is_silent() -> (
    None
):
    exceptions = [case for case in possible() if case.library is not None]
    assert len(possible()) >= 100
    assert exceptions
    for case in exceptions:
        assert case.library != case.valid, f"{case.name}: the library agrees, so it is no exception"
        assert re.match(r"[2-6](\.\d)*\b|policy", case.clause), f"{case.name}: {case.clause}"


@pytest.mark.parametrize("made", ["m-v1", "m-v1-public"])
def test_the_library_agrees_on_what_this_program_makes_and_on_each_wound_of_it(
    made: str, tmp_path: Path
) -> None:
    bag = Path(shutil.copytree(drilled.packaged() / "m-v1", tmp_path / "m-v1"))
    if made != bag.name:
        assert wellread("release", bag).code == 0
        bag = tmp_path / made
    assert second_opinion(bag) == []
    assert judge(observe(bag)).problems == ()
    wounded = 0
    for path in sorted(path for path in bag.rglob("*") if path.is_file()):
        if path.name.startswith("tagmanifest-"):
            continue  # vouched for by nothing inside the bag; see the flipped bits
        whole = path.read_bytes()
        for damage in (whole[:-1], whole + b"x", b"", None):
            if damage == whole:
                continue
            path.unlink()
            if damage is not None:
                path.write_bytes(damage)
            assert not judge(observe(bag)).valid, (path, damage)
            assert second_opinion(bag) != [], (path, damage)
            wounded += 1
            path.write_bytes(whole)
    assert wounded > 60


def test_the_library_in_two_processes_complains_of_the_same_files_as_in_one(tmp_path: Path) -> None:
    root = tmp_path / "bag"
    root.mkdir()
    for number in range(40):
        (root / f"{number:02}.bin").write_bytes(bytes([number]) * 100)
    bagit.make_bag(str(root), checksums=["sha256", "sha512"])
    assert complaints_by_two(shares_of(second_judge()(str(root)), files=3)) == []
    for number in (0, 17, 39):
        (root / f"data/{number:02}.bin").write_bytes(b"another")
    (root / "data/20.bin").unlink()
    bag = second_judge()(str(root))
    shared = [path for share in shares_of(bag, files=3) for path in share.entries]
    assert sorted(shared) == sorted(bag.entries)
    assert shared[-1].startswith("data/"), "tag files, which may be large, come first"
    with pytest.raises(bagit.BagValidationError) as told:
        bag._validate_entries(1)
    found = complaints_by_two(shares_of(bag, files=3))
    assert sorted(found) == sorted(str(detail) for detail in told.value.details)
    assert len(found) == 8, "two hashes of each of four files"


def test_every_known_gap_of_the_library_has_its_case() -> None:
    assert {each.gap for each in possible()} - {""} == {f"V{number}" for number in range(1, 19)}


def test_many_wounds_are_all_named(tmp_path: Path) -> None:
    next(each for each in possible() if each.gap == "V17").make(tmp_path / "bag")
    verdict = judge(observe(tmp_path / "bag"))
    assert [(each.path, each.kind) for each in verdict.problems] == [
        ("bag-info.txt", "incomplete"),
        ("data/a.bin", "altered"),
        ("data/stray", "unexpected"),
        ("data/sub/b.bin", "missing"),
    ]


PATHS = (
    *(f"data/{name}" for name in ("a.bin", "b/c.bin", "gone.bin", "link.bin", "out", "out/x", "in/a.bin")),
    *(
        f"data/{name}"
        for name in ("self", "self/x", "..", "../..", "../../x", "../../bag-evil", "~root", "/a.bin")
    ),
    *(
        "data/./a.bin",
        "..",
        "../x",
        "../bag-evil/x",
        ".",
        "",
        "/etc/hosts",
        "~",
        "~root",
        "~root/x",
        "bag-info.txt",
    ),
)


@pytest.mark.parametrize("path", PATHS)
def test_a_path_is_called_dangerous_where_the_library_itself_would_call_it_so(
    path: str, tmp_path: Path
) -> None:
    bag = tmp_path / "bag"
    for name in ("a.bin", "b/c.bin"):
        (bag / "data" / name).parent.mkdir(parents=True, exist_ok=True)
        (bag / "data" / name).write_bytes(b"content")
    links = (("link.bin", tmp_path / "x"), ("out", tmp_path), ("in", bag / "data" / "b"), ("self", "self"))
    for name, target in links:
        (bag / "data" / name).symlink_to(target)
    library = bagit.make_bag(str(bag / "data" / "b"))  # any bag will do: its folder is then set
    library.path = str(bag)
    ours = second_judge()(str(bag / "data" / "b"))
    ours.path, ours._links = str(bag), {}
    for _ in range(2):  # the second time with what it has remembered
        assert ours._path_is_dangerous(path) == library._path_is_dangerous(path)
