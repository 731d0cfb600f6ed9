"""`package` and `release` of several at once: one that fails stops no other, and the worst code counts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import chain, combinations
from pathlib import Path

import pytest

from pipeline.errors import BagError, StorageError
from pipeline.run.many import each_one
from tests.journey.cli import wellread
from tests.journey.test_twins import CLUB, SHED, TRUTH, bag_of
from tests.kit.example_bags import EPOCH
from tests.kit.specimens import Held, machine


@pytest.fixture(autouse=True)
def _clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)


def projects(place: Path) -> list[Path]:
    """Two sound projects, and one between them whose sheet is none."""
    first = machine(place, SHED, [Held("U1", (TRUTH,))])
    bad = machine(place, replace(SHED, machine="loom-bad"), [Held("U1", (TRUTH,))])
    (bad / "sheet.yaml").write_text("machine: {id: x, name: X}\nchipz: []\n", encoding="utf-8")
    return [first, bad, machine(place, CLUB, [Held("U1", (TRUTH,))])]


def test_a_bad_project_keeps_no_other_from_its_bag(tmp_path: Path) -> None:
    ran = wellread("package", *projects(tmp_path))
    assert ran.code == 10
    assert (tmp_path / "loom-a-v1").is_dir()
    assert (tmp_path / "loom-b-v1").is_dir()
    assert not (tmp_path / "loom-bad-v1").exists()
    assert ran.out.splitlines()[-1] == "package: 2 done, 1 failed"
    assert "chipz" in ran.out


def test_the_document_has_each_answer_and_the_worst_code(tmp_path: Path) -> None:
    given = [*projects(tmp_path), tmp_path / "nowhere"]
    ran = wellread("package", *given, "--json")
    ended = ran.document["ended"]
    assert [one["exit_code"] for one in ended] == [0, 10, 0, 16]
    assert (ran.code, ran.document["exit_code"]) == (16, 16)
    assert ended[0]["answer"]["chips"][0]["grade"] == "single"
    assert ended[1]["answer"] is None
    assert any("chipz" in one for one in ended[1]["problems"])


def test_strict_counts_a_chip_that_needs_a_person(tmp_path: Path) -> None:
    wrong = TRUTH.copy()
    wrong[3] ^= 1
    first = machine(tmp_path, SHED, [Held("U1", (TRUTH, wrong))])
    second = machine(tmp_path, CLUB, [Held("U1", (TRUTH,))])
    assert wellread("package", first, second, "--strict").code == 1
    assert wellread("package", first, second).code == 0


def test_several_bags_are_released_and_a_damaged_one_stays(tmp_path: Path) -> None:
    bags = [bag_of(tmp_path, owner, [Held("U1", (TRUTH,))]) for owner in (SHED, CLUB)]
    (bags[0] / "bagit.txt").unlink()
    ran = wellread("release", *bags)
    assert ran.code == 14
    assert (tmp_path / "loom-b-v1-public.zip").exists()
    assert not list(tmp_path.glob("loom-a*public*"))


def test_a_recheck_of_several_ends_with_the_worst_code_of_each_alone(tmp_path: Path) -> None:
    """Damage is never hidden behind a disk that is not mounted: 1 comes before 16, and 16 before 0."""
    whole, altered = (bag_of(tmp_path, owner, [Held("U1", (TRUTH,))]) for owner in (SHED, CLUB))
    (altered / "bag-info.txt").write_text("Bag-Software-Agent: another\n")
    unpacked = tmp_path / "cut.zip"
    unpacked.write_bytes(b"PK\3\4 and nothing more")
    alone = {whole: 0, altered: 1, unpacked: 1, tmp_path / "unplugged": 16}
    worst = [1, 16, 0].index
    for some in chain.from_iterable(combinations(alone, many) for many in range(1, 5)):
        ran = wellread("recheck", *some, "--json")
        assert ran.code == min((alone[one] for one in some), key=worst), some
        assert len(ran.document["bags"]) == len(some)
    assert wellread("recheck", *alone).out.endswith("\n4 bags: 2 unreadable, 1 altered, 1 valid\n")


def test_a_release_goes_on_past_bags_of_every_bad_kind(tmp_path: Path) -> None:
    bags = [bag_of(tmp_path, owner, [Held("U1", (TRUTH,))]) for owner in (SHED, CLUB)]
    cut = tmp_path / "cut.zip"
    cut.write_bytes(b"PK\3\4 and nothing more")
    ran = wellread("release", tmp_path / "unplugged", cut, *bags, "--json")
    assert [one["exit_code"] for one in ran.document["ended"]] == [16, 14, 0, 0]
    assert ran.code == 16


def test_an_interruption_and_a_bug_end_the_run() -> None:
    def work(path: Path) -> str:
        if path.name == "bug":
            raise ZeroDivisionError
        raise KeyboardInterrupt

    for name, kind in (("bug", ZeroDivisionError), ("stop", KeyboardInterrupt)):
        with pytest.raises(kind):
            list(each_one([Path(name)], work))


def test_paths_are_taken_one_at_a_time_and_results_come_in_order() -> None:
    begun = []

    def given() -> Iterator[Path]:
        for name in "abc":
            begun.append(name)
            yield Path(name)

    def work(path: Path) -> str:
        if path.name == "b":
            raise BagError(where="b", problem="bad", remedy="mend it")
        return path.name

    results = each_one(given(), work)
    assert next(results) == (Path("a"), "a")
    assert begun == ["a"]
    rest = [done if isinstance(done, str) else type(done) for _, done in results]
    assert rest == [BagError, "c"]
    assert StorageError.exit_code > BagError.exit_code
