"""`wellread holdings SHELF…`: what a shelf holds, in which state, and what to read next."""

from __future__ import annotations

import csv
import io
import multiprocessing
import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.edges.holdings_index import HoldingsIndex
from pipeline.holdings import ranking
from pipeline.holdings.questions import to_read
from pipeline.run.holdings.update import update
from tests.journey.cli import wellread
from tests.journey.test_twins import CLUB, SHED, TRUTH, bag_of
from tests.kit.example_bags import EPOCH, example_bag, example_bundle
from tests.kit.images import code
from tests.kit.specimens import Held
from tests.kit.wires import Image

OTHER: Image = code(np.random.default_rng(8), 2048)[0]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shelf of two machines: single, repeatable, contested, missing, a label in both."""
    place = tmp_path_factory.mktemp("made")
    wrong = OTHER.copy()
    wrong[5] ^= 1
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", EPOCH)
        bag_of(
            place,
            SHED,
            [
                Held("U1", (TRUTH,), says={"label": "MILL 2", "date_code": "7912"}),
                Held("U2", (OTHER, OTHER), says={"inventory": "1978.4", "marking": "MX 2716-1"}),
                Held("U3", (OTHER, wrong)),
                Held("U4", (), says={"state": "read-failed"}),
                Held("U5", (), says={"state": "on-loan"}),
            ],
        )
        bag_of(place, CLUB, [Held("X1", (TRUTH,), says={"label": "mill 2"})])
    for name in ("loom-a", "loom-b"):
        shutil.rmtree(place / name)
    return place


@pytest.fixture
def shelf(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "shelf"))


def asked(*words: str | Path) -> dict[str, Any]:
    return wellread("holdings", *words, "--json").document


def chips(*words: str | Path) -> list[str]:
    return [one["chip"] for one in asked(*words)["found"]]


def test_a_shelf_is_counted_and_nothing_more_is_said_unasked(shelf: Path) -> None:
    document = asked(shelf)
    assert (document["bags"], document["chips"], document["found"], document["index"]) == (2, 6, [], None)
    assert document["grades"] == {"contested": 1, "missing": 2, "repeatable": 1, "single": 2}


@pytest.mark.parametrize(
    ("question", "expected"),
    [
        (["--unread"], ["U4", "U5"]),
        (["--contested"], ["U3"]),
        (["--fading"], ["U1", "X1"]),
        (["--grade", "repeatable"], ["U2"]),
        (["--label", "Mill 2"], ["U1", "X1"]),
        (["--marking", "2716-1"], ["U2"]),
        (["--inventory", "1978.4"], ["U2"]),
        (["--machine", "loom-b"], ["X1"]),
        (["--part", "2716", "--grade", "single"], ["U1", "X1"]),
        (["--part", "2732"], []),
    ],
)
def test_each_question_finds_its_chips(shelf: Path, question: list[str], expected: list[str]) -> None:
    assert chips(shelf, *question) == expected


def test_which_content_is_where_and_whether_a_file_is_held(shelf: Path, tmp_path: Path) -> None:
    digest = asked(shelf, "--machine", "loom-b")["found"][0]["sha256"]
    assert chips(shelf, "--content", digest.upper()) == ["U1", "X1"]
    near = TRUTH.copy()
    near[100:110] ^= 1
    file = tmp_path / "some.bin"
    file.write_bytes(near.astype(np.uint8).tobytes())
    found = asked(shelf, "--file", file)["found"]
    assert [(one["chip"], one["like"]) for one in found] == [("U1", "near"), ("X1", "near")]
    file.write_bytes(TRUTH[:1024].astype(np.uint8).tobytes())
    assert [one["like"] for one in asked(shelf, "--file", file)["found"]] == ["holds", "holds"]


def test_what_to_read_next_is_ranked_and_every_reason_is_shown(shelf: Path) -> None:
    found = asked(shelf, "--next")["found"]
    assert [one["chip"] for one in found[:2]] == ["U3", "U4"]
    assert "U5" not in [one["chip"] for one in found]
    assert all(one["rank"] == sum(why["weight"] for why in one["why"]) for one in found)
    (u1,) = [one for one in found if one["chip"] == "U1"]
    assert "made in 1979" in " ".join(why["words"] for why in u1["why"])
    assert not any("no other specimen of it" in why["words"] for why in u1["why"])


def test_the_rank_of_the_database_is_the_sum_of_the_reasons(shelf: Path) -> None:
    with HoldingsIndex(None) as index:
        update(index, [shelf])
        rows = index.ask(to_read("1"), {"most": -1, "year": 2026})
        assert len(rows) == 5
        for row in rows:
            assert row["score"] == ranking.score(ranking.reasons(row, 2026))


def test_an_index_reads_only_what_has_changed_and_forgets_what_is_gone(shelf: Path, tmp_path: Path) -> None:
    index = tmp_path / "i"
    assert asked(shelf, "--index", index)["read"] == 2
    assert asked(shelf, "--index", index)["read"] == 0
    shutil.copytree(shelf / "loom-b-v1", tmp_path / "keep")
    shutil.rmtree(shelf / "loom-b-v1")
    document = asked(shelf, "--index", index)
    assert (document["read"], document["gone"], document["bags"]) == (0, 1, 1)
    shutil.move(tmp_path / "keep", shelf / "loom-b-v1")
    (shelf / "loom-b-v1/tagmanifest-sha256.txt").write_text("", encoding="utf-8")
    document = asked(shelf, "--index", index)
    assert document["read"] == 1
    assert "tag manifest" in document["troubled"][0]["trouble"]


def test_an_index_is_asked_without_its_shelf(shelf: Path, tmp_path: Path) -> None:
    index = tmp_path / "i"
    asked(shelf, "--index", index)
    shutil.rmtree(shelf)
    assert chips("--index", index, "--unread") == ["U4", "U5"]
    assert wellread("holdings").code == 2


def test_a_shelf_without_a_bag_is_an_error_and_no_empty_answer(tmp_path: Path) -> None:
    assert wellread("holdings", tmp_path).code == 24


def test_an_image_that_is_not_what_the_record_says_is_told(shelf: Path) -> None:
    image = shelf / "loom-b-v1/data/images/main/X1.bin"
    image.write_bytes(b"\0" * 2048)
    document = asked(shelf)
    assert "is not what the record says" in document["troubled"][0]["trouble"]
    assert document["chips"] == 5


def test_the_last_check_comes_from_the_ledger(shelf: Path, tmp_path: Path) -> None:
    ledger = tmp_path / "l"
    assert wellread("recheck", shelf, "--ledger", ledger, "--new-ledger").code == 0
    (one,) = asked(shelf, "--ledger", ledger, "--machine", "loom-b")["found"]
    assert (one["last_outcome"], one["last_check"][-1]) == ("valid", "Z")


def test_earlier_versions_are_asked_for_by_name(shelf: Path, tmp_path: Path) -> None:
    bag_of(tmp_path / "other", CLUB, [Held("X1", (OTHER,), says={"label": "mill 2"})])
    later = tmp_path / "other/loom-b-v1"
    with HoldingsIndex(None) as index:
        update(index, [shelf, later])
        assert index.ask("SELECT count(*) AS n FROM bags WHERE newest")[0]["n"] == 2
    assert len(chips(shelf, later, "--machine", "loom-b", "--all")) == 2


def test_a_bundle_beside_the_bag_that_it_was_made_from_counts_no_chip_twice() -> None:
    bag, bundle = example_bag(), example_bundle()
    alone = asked(bundle)["grades"]
    assert sum(alone.values()) == 26, "by itself it is all that is known of the machine"
    assert asked(bag, bundle)["grades"] == asked(bag)["grades"] == alone
    assert len(chips(bag, bundle, "--part", "7641", "--all")) == 2 * len(chips(bag, "--part", "7641"))


def test_the_table_has_every_chip_and_no_cell_that_a_spreadsheet_would_run(
    shelf: Path, tmp_path: Path
) -> None:
    bag_of(tmp_path, CLUB, [Held("X9", (TRUTH,), says={"label": "=1+1"})])
    target = tmp_path / "t.csv"
    document = asked(shelf, tmp_path / "loom-b-v1", "--csv", target)
    assert document["written"] == [str(target)]
    rows = list(csv.DictReader(io.StringIO(target.read_text(encoding="utf-8"))))
    assert {row["chip"] for row in rows} >= {"U1", "U2", "U3", "U4", "U5"}
    assert not [cell for row in rows for cell in row.values() if cell.startswith("=")]


def test_the_page_stands_alone_and_names_every_chip(shelf: Path, tmp_path: Path) -> None:
    page = tmp_path / "shelf.html"
    assert wellread("holdings", shelf, "--page", page).code == 0
    text = page.read_text(encoding="utf-8")
    for chip in ("U1", "U2", "U3", "U4", "U5", "X1"):
        assert f"<bdi>{chip}</bdi>" in text
    assert "://" not in text.replace("http://www.w3.org/", "")
    assert "default-src 'none'" in text
    # Rows are laid out in two columns, number and task: a row of one would be squeezed into the first.
    numbers = re.findall(r'<li><div class="no" aria-hidden="true">(\d+)</div><div>', text)
    assert numbers == [str(n + 1) for n in range(text.count('<div class="who">'))] != []
    assert wellread("holdings", shelf, "--page", page).code == 15


@pytest.mark.parametrize(
    "spoil",
    [
        "CREATE VIEW stranger AS SELECT 1",
        "CREATE TRIGGER stranger AFTER INSERT ON chips BEGIN DELETE FROM bags; END",
        "DROP INDEX chips_by_part",
        "PRAGMA application_id = 7",
    ],
)
def test_an_index_that_somebody_changed_is_refused(shelf: Path, tmp_path: Path, spoil: str) -> None:
    index = tmp_path / "i"
    asked(shelf, "--index", index)
    with closing(sqlite3.connect(index)) as base:
        base.execute(spoil)
        base.commit()
    ran = wellread("holdings", "--index", index, "--unread")
    assert ran.code == 29, ran.out


def test_any_other_file_is_no_index(shelf: Path, tmp_path: Path) -> None:
    other = tmp_path / "o"
    other.write_bytes(b"no database at all" * 100)
    ran = wellread("holdings", shelf, "--index", other)
    assert ran.code == 29
    assert other.read_bytes() == b"no database at all" * 100


def _bring_up(shelf: Path, index: Path) -> None:
    with HoldingsIndex(index) as held:
        update(held, [shelf])


def test_two_at_once_leave_one_whole_index(shelf: Path, tmp_path: Path) -> None:
    index = tmp_path / "i"
    context = multiprocessing.get_context("spawn")
    both = [context.Process(target=_bring_up, args=(shelf, index)) for _ in range(2)]
    for one in both:
        one.start()
    for one in both:
        one.join(60)
    assert [one.exitcode for one in both] == [0, 0]
    with HoldingsIndex(index) as held:
        counts = held.ask("SELECT (SELECT count(*) FROM bags) AS bags, (SELECT count(*) FROM chips) AS chips")
    assert counts == [{"bags": 2, "chips": 6}]


def test_the_tables_say_what_each_column_is_to_any_sql_tool(shelf: Path, tmp_path: Path) -> None:
    index = tmp_path / "i"
    asked(shelf, "--index", index)
    with closing(sqlite3.connect(index)) as base:
        (said,) = base.execute("SELECT sql FROM sqlite_master WHERE name = 'chips'").fetchone()
    assert "-- level to which its cells fade" in said


def test_the_questions_of_the_page_on_the_index_are_answered(shelf: Path, tmp_path: Path) -> None:
    page = Path(__file__).parents[2] / "pipeline/holdings/README.md"
    questions = re.findall(r"```sql\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL)
    assert len(questions) == 3
    asked(shelf, "--index", tmp_path / "i")
    with closing(sqlite3.connect(f"file:{tmp_path / 'i'}?mode=ro", uri=True)) as base:
        once, held, findings = (base.execute(one).fetchall() for one in questions)
    assert {row[:2] for row in once} == {("loom-a-v1", "U1"), ("loom-b-v1", "X1")}
    assert [row[1] for row in held] == [2]
    assert ("loom-a-v1", "U3", "caution unstable-bits") in findings
