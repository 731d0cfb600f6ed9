"""The memory of checks: a row that was edited, removed or cut off shows; nothing that was added is lost."""

from __future__ import annotations

import csv
import io
import json
import multiprocessing
import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Literal, get_args, get_origin, get_type_hints

import pytest

from pipeline.bags.history import is_due
from pipeline.edges import ledger as ledger_edge
from pipeline.edges.clock import Now
from pipeline.edges.ledger import FIRST_PREVIOUS, Ledger
from pipeline.errors import LedgerError, NothingToDoError, StorageError
from pipeline.run.keep.recheck import Rechecked, find_bags, recheck_bags
from pipeline.views.fixity import cell, history_csv, history_premis
from schemas.base import follows
from schemas.ledger import LedgerRow
from tests.kit.examples import drilled_but
from tests.outside import bag_cases

OPENED = {"kind": "opened", "when": "2024-01-01T00:00:00Z", "tool": "wellread 0"}
XSD = Path(__file__).parents[3] / "shared/facts/xsd/premis-v3-0.xsd"


def at(day: int) -> Now:
    return Now(datetime(2024, 1, day, tzinfo=UTC), fixed=False)


def filled(path: Path, rows: int = 5) -> str:
    with Ledger(path, OPENED) as ledger:
        for number in range(rows):
            ledger.add(
                {"kind": "check", "when": f"2024-01-02T00:00:0{number}Z", "bag": f"/b{number}", "tool": "x"}
            )
        return ledger.head


def wholeness(path: Path, expect_head: str = "") -> tuple[str, ...]:
    with Ledger(path) as ledger:
        return ledger.wholeness(expect_head=expect_head).problems


# --- the chain --------------------------------------------------------------------------------------------


def test_what_was_added_is_whole_and_comes_back_in_order(tmp_path: Path) -> None:
    head = filled(tmp_path / "l")
    with Ledger(tmp_path / "l") as ledger:
        rows = list(ledger.rows())
        assert [row.number for row in rows] == [1, 2, 3, 4, 5, 6]
        assert [row.body["bag"] for row in ledger.rows("/b3")] == ["/b3"]
        assert ledger.wholeness().problems == ()
        assert ledger.head == head == rows[-1].digest


def test_the_chain_can_be_recomputed_by_anybody(tmp_path: Path) -> None:
    head = filled(tmp_path / "l")
    base = sqlite3.connect(tmp_path / "l")
    previous = FIRST_PREVIOUS
    for (body,) in base.execute("SELECT body FROM rows ORDER BY number"):
        previous = sha256(f"{previous}\n{body}".encode()).hexdigest()
    base.close()
    assert previous == head


def test_two_ledgers_begun_alike_have_different_heads(tmp_path: Path) -> None:
    assert filled(tmp_path / "one") != filled(tmp_path / "other")


def tamper(path: Path, *statements: str) -> None:
    base = sqlite3.connect(path)
    triggers = base.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    for name, _ in triggers:
        base.execute(f"DROP TRIGGER {name}")
    changed = sum(base.execute(statement).rowcount for statement in statements)
    assert changed > 0
    for _, statement in triggers:
        base.execute(statement)
    base.commit()
    base.close()


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE rows SET body = replace(body, '/b2', '/b9') WHERE number = 4", "row 4 was changed"),
        ("UPDATE rows SET bag = '/b9' WHERE number = 4", "row 4 was changed: its index"),
        ("UPDATE rows SET digest = 'x' WHERE number = 4", "row 4 was changed"),
        ("UPDATE rows SET body = x'00' WHERE number = 4", "row 4 was changed"),
        ("UPDATE rows SET body = 'not json' WHERE number = 4", "row 4 was changed"),
        ("DELETE FROM rows WHERE number = 3", "row 3 is gone"),
        ("DELETE FROM rows WHERE number = 1", "row 1 is gone"),
        ("DELETE FROM rows", "no rows"),
        ("UPDATE rows SET number = number + 1 WHERE number = 6", "row 6"),
    ],
)
def test_an_edited_or_removed_row_shows(tmp_path: Path, statement: str, said: str) -> None:
    filled(tmp_path / "l")
    tamper(tmp_path / "l", statement)
    assert any(said in problem for problem in wholeness(tmp_path / "l"))


@pytest.mark.parametrize(
    "text",
    [
        "[" * 100_000,
        "{}",
        "[]",
        "7",
        '{"kind":7,"bag":"/b0"}',
        '{"kind":"check","bag":["/b0"]}',
        '{"kind":"check","bag":"/b0","when":7}',
        '{"kind":"check","bag":"/b0","files":"many"}',
        '{"kind":"check","bag":"/b0","problems":3}',
        '{"kind":"check","bag":"/b0","problems":[7]}',
        '{"kind":"check","bag":"/b0","problems":[{"kind":7,"path":null}]}',
        '{"kind":"check","bag":"/b0","algorithms":"x"}',
        '{"kind":"mended","bag":"/b0","replaced":[1]}',
        '{"kind":"check","bag":"/b0","receipt":null}',
    ],
    ids=range(14),
)
def test_a_row_of_another_form_that_was_chained_on_is_told_and_harms_no_reader(
    shelf: Path, tmp_path: Path, text: str
) -> None:
    """Anybody who can write the file can also compute the chain."""
    book = tmp_path / "l"
    filled(book)
    base = sqlite3.connect(book)
    number, digest = base.execute("SELECT number, digest FROM rows ORDER BY number DESC").fetchone()
    chain = sha256(f"{digest}\n{text}".encode()).hexdigest()
    base.execute("INSERT INTO rows VALUES (?, ?, ?, '/b0', ?)", (number + 1, digest, chain, text))
    base.commit()
    base.close()
    assert any("row 7 has a form that no row has" in problem for problem in wholeness(book))
    with pytest.raises(LedgerError, match="form that no row has"):
        recheck_bags([shelf], now=at(3), ledger=book)
    with Ledger(book) as ledger:
        rows = [(row.number, row.digest, row.body) for row in ledger.rows()]
        assert len(list(csv.reader(io.StringIO("".join(history_csv(rows)))))) == len(rows) + 1
        assert "/b4" in "".join(history_premis(rows))
        assert "/b1" in ledger.latest()


def test_the_forms_that_are_looked_at_are_those_of_the_schema() -> None:
    """The check of every row cannot wait for pydantic; its lists must not drift from the model."""
    texts, counts, others = set(), set(), set()
    for name, hint in get_type_hints(LedgerRow).items():
        inner = [one for one in (get_args(hint) or (hint,)) if one is not type(None)]
        kind = list if get_origin(hint) is list else str if get_origin(inner[0]) is Literal else inner[0]
        kind = str if isinstance(kind, str) else kind
        if issubclass(kind, str):
            texts.add(name)
        elif issubclass(kind, int) and kind is not bool:
            counts.add(name)
        else:
            others.add(name)
    assert texts == ledger_edge._TEXTS
    assert counts == ledger_edge._COUNTS
    assert others == {"clock_fixed", "complete", "algorithms", "problems", "replaced"}


def test_a_cut_tail_shows_against_the_head_that_was_printed(tmp_path: Path) -> None:
    head = filled(tmp_path / "l")
    tamper(tmp_path / "l", "DELETE FROM rows WHERE number > 4")
    assert wholeness(tmp_path / "l") == ()
    assert any("expected" in problem for problem in wholeness(tmp_path / "l", head))


def test_an_earlier_head_is_still_expected_after_more_rows(tmp_path: Path) -> None:
    head = filled(tmp_path / "l")
    with Ledger(tmp_path / "l", OPENED) as ledger:
        ledger.add({"kind": "check", "when": "2024-02-01T00:00:00Z", "tool": "x"})
    assert wholeness(tmp_path / "l", head) == ()


def test_a_slip_of_the_hand_cannot_change_a_row(tmp_path: Path) -> None:
    filled(tmp_path / "l")
    base = sqlite3.connect(tmp_path / "l")
    for statement in ("UPDATE rows SET bag = ''", "DELETE FROM rows"):
        with pytest.raises(sqlite3.IntegrityError, match="stay"):
            base.execute(statement)
    base.close()


def test_a_clock_that_goes_back_is_a_caution_and_the_order_stays(tmp_path: Path) -> None:
    with Ledger(tmp_path / "l", OPENED) as ledger:
        for when in ("2024-03-01T00:00:00Z", "2023-01-01T00:00:00Z"):
            ledger.add({"kind": "check", "when": when, "bag": "/b", "tool": "x"})
        found = ledger.wholeness()
        assert found.problems == ()
        assert found.cautions == ("the clock went back between row 2 and row 3",)
        assert ledger.latest()["/b"]["when"] == "2023-01-01T00:00:00Z"


# --- the file ---------------------------------------------------------------------------------------------


def _add_many(path: Path, name: str) -> None:
    for number in range(40):
        with Ledger(path, OPENED) as ledger:
            ledger.add(
                {"kind": "check", "when": "2024-01-02T00:00:00Z", "bag": f"/{name}/{number}", "tool": "x"}
            )


@pytest.mark.parametrize("round_", drilled_but(range(4), 0))
def test_two_processes_at_once_lose_no_row(tmp_path: Path, round_: int) -> None:
    del round_
    context = multiprocessing.get_context("spawn")
    children = [context.Process(target=_add_many, args=(tmp_path / "l", name)) for name in ("one", "two")]
    for child in children:
        child.start()
    for child in children:
        child.join(timeout=60)
        assert child.exitcode == 0
    with Ledger(tmp_path / "l") as ledger:
        assert ledger.wholeness().problems == ()
        assert len({row.body.get("bag") for row in ledger.rows()}) == 81


@pytest.mark.parametrize(
    "content", [b"not a database at all" * 100, b"SQLite format 3\0" + b"x" * 4096, b"", None]
)
def test_what_is_no_ledger_is_refused_in_words_and_left_as_it_was(
    tmp_path: Path, content: bytes | None
) -> None:
    if content is None:
        base = sqlite3.connect(tmp_path / "l")
        base.execute("CREATE TABLE mine (x)")
        base.commit()
        base.close()
        content = (tmp_path / "l").read_bytes()
    (tmp_path / "l").write_bytes(content)
    with pytest.raises(LedgerError), Ledger(tmp_path / "l") as ledger:
        ledger.wholeness()
    assert (tmp_path / "l").read_bytes() == content


def test_a_ledger_that_is_not_there_is_not_made_by_reading(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="there is no such ledger"):
        Ledger(tmp_path / "l")
    assert not list(tmp_path.iterdir())


def test_a_locked_ledger_is_told_and_not_waited_for_for_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(tmp_path / "l")
    monkeypatch.setattr("pipeline.edges.ledger.WAIT_SECONDS", 0.1)
    other = sqlite3.connect(tmp_path / "l", isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(LedgerError, match="locked"):
        Ledger(tmp_path / "l", OPENED)
    other.close()


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_read_only_ledger_is_read_and_refuses_a_row(tmp_path: Path) -> None:
    filled(tmp_path / "l")
    (tmp_path / "l").chmod(0o400)
    tmp_path.chmod(0o500)
    assert wholeness(tmp_path / "l") == ()
    with pytest.raises(StorageError, match="cannot be written"), Ledger(tmp_path / "l", OPENED) as ledger:
        ledger.add({"kind": "check"})
    tmp_path.chmod(0o700)


LIMITED = """
import resource, signal, sys
from pathlib import Path
from pipeline.edges.ledger import Ledger
from pipeline.errors import WellreadError
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
path = Path(sys.argv[1])
limit = path.stat().st_size + 3 * 4096
resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
added = 0
try:
    with Ledger(path, {"kind": "opened"}) as ledger:
        while True:
            ledger.add({"kind": "check", "bag": f"/more/{added}", "note": "x" * 500})
            added += 1
            print(added, flush=True)
except WellreadError as error:
    print(type(error).__name__, error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such limit")
def test_a_disk_that_takes_no_more_loses_no_row_that_was_added(tmp_path: Path) -> None:
    filled(tmp_path / "l")
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(tmp_path / "l")], capture_output=True, text=True, check=True
    )
    *counted, said = done.stdout.splitlines()
    assert said.startswith("StorageError")
    with Ledger(tmp_path / "l") as ledger:
        assert ledger.wholeness().problems == ()
        assert (
            sum(str(row.body.get("bag")).startswith("/more/") for row in ledger.rows())
            == int(counted[-1])
            > 5
        )


# --- bags and the memory of them --------------------------------------------------------------------------


def run(folder: Path, ledger: Path, day: int, **options: object) -> Rechecked:
    return recheck_bags([folder], now=at(day), ledger=ledger, new_ledger=True, **options)  # type: ignore[arg-type]


def outcomes(rechecked: Rechecked) -> dict[str, str]:
    return {Path(each.path).name: each.outcome for each in rechecked.bags}


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    for name in ("one", "two"):
        bag_cases.bag(
            tmp_path / "shelf" / name,
            {"data/x": name.encode()},
            info=f"External-Identifier: urn:example:{name}\n",
        )
    return tmp_path / "shelf"


def test_a_folder_is_searched_and_every_check_remembered(shelf: Path, tmp_path: Path) -> None:
    first = run(shelf, tmp_path / "l", 1)
    assert outcomes(first) == {"one": "valid", "two": "valid"}
    assert {each.note for each in first.bags} == {"first seen"}
    second = run(shelf, tmp_path / "l", 2, expect_head=first.head)
    assert {each.note for each in second.bags} == {"same receipt as on 2024-01-01T00:00:00Z"}
    assert all(one.valid for one in second.bags)
    with Ledger(tmp_path / "l") as ledger:
        bodies = [row.body for row in ledger.rows()]
        assert ledger.head == second.head
    assert [body["kind"] for body in bodies] == ["opened", "check", "check", "check", "check"]
    for body in bodies:
        follows(LedgerRow, json.dumps(body), unknown="forbid")


def test_a_bag_whose_manifests_were_rewritten_to_match_altered_data_is_caught(
    shelf: Path, tmp_path: Path
) -> None:
    run(shelf, tmp_path / "l", 1)
    (shelf / "one/data/x").write_bytes(b"eno")
    for algorithm in ("sha256", "sha512"):
        line = f"{bag_cases.digest(algorithm, b'eno')}  data/x\n"
        (shelf / f"one/manifest-{algorithm}.txt").write_text(line)
    bag_cases.seal(shelf / "one")
    assert all(one.valid for one in recheck_bags([shelf / "one"], now=at(2)).bags), (
        "the wound must not show without the ledger"
    )
    for day in (2, 3):
        found = run(shelf, tmp_path / "l", day)
        assert outcomes(found) == {"one": "invalid", "two": "valid"}
        assert [(each.path, each.kind) for each in found.bags[0].problems] == [
            ("tagmanifest-*.txt", "altered")
        ]


def test_a_rewritten_bag_is_caught_even_where_it_was_moved(shelf: Path, tmp_path: Path) -> None:
    run(shelf, tmp_path / "l", 1)
    (shelf / "one/tagmanifest-sha512.txt").unlink()
    (shelf / "one").rename(shelf / "elsewhere")
    assert outcomes(run(shelf, tmp_path / "l", 2)) == {
        "elsewhere": "invalid",
        "two": "valid",
        "one": "missing",
    }


def test_a_moved_bag_is_told_moved_and_not_missing(shelf: Path, tmp_path: Path) -> None:
    run(shelf, tmp_path / "l", 1)
    (shelf / "one").rename(shelf / "elsewhere")
    found = run(shelf, tmp_path / "l", 2)
    assert outcomes(found) == {"elsewhere": "valid", "two": "valid"}
    assert (
        next(each.note for each in found.bags if each.path.endswith("elsewhere"))
        == f"moved from {shelf / 'one'}"
    )


def test_a_vanished_bag_is_missing_until_it_is_back(shelf: Path, tmp_path: Path) -> None:
    run(shelf, tmp_path / "l", 1)
    (shelf / "one").rename(tmp_path / "away")
    for day in (2, 3):
        found = run(shelf, tmp_path / "l", day)
        assert outcomes(found) == {"two": "valid", "one": "missing"}
        assert not all(one.valid for one in found.bags)
    (tmp_path / "away").rename(shelf / "one")
    assert all(one.valid for one in run(shelf, tmp_path / "l", 4).bags)


def test_a_bag_that_lost_its_declaration_is_still_looked_at(shelf: Path, tmp_path: Path) -> None:
    run(shelf, tmp_path / "l", 1)
    for path in (shelf / "one").glob("*.txt"):
        path.unlink()
    assert outcomes(run(shelf, tmp_path / "l", 2)) == {"one": "invalid", "two": "valid"}


def test_a_shelf_that_was_emptied_is_told_and_not_nothing_to_do(shelf: Path, tmp_path: Path) -> None:
    run(shelf, tmp_path / "l", 1)
    for name in ("one", "two"):
        (shelf / name).rename(tmp_path / f"away-{name}")
    assert outcomes(run(shelf, tmp_path / "l", 2)) == {"one": "missing", "two": "missing"}


def test_only_what_is_due_is_checked(shelf: Path, tmp_path: Path) -> None:
    run(shelf, tmp_path / "l", 1)
    run(shelf / "two", tmp_path / "l", 8)
    assert outcomes(run(shelf, tmp_path / "l", 9, due_days=5)) == {"one": "valid", "two": "not due"}


def test_what_was_not_valid_is_due_at_once(shelf: Path, tmp_path: Path) -> None:
    (shelf / "one/data/x").write_bytes(b"eno")
    run(shelf, tmp_path / "l", 1)
    assert outcomes(run(shelf, tmp_path / "l", 1, due_days=5)) == {"one": "invalid", "two": "not due"}


@pytest.mark.parametrize("when", ["2030-01-01T00:00:00Z", "nonsense", "", "2023-12-01"])
def test_a_clock_that_jumped_keeps_no_bag_from_being_checked(when: str) -> None:
    assert is_due({"outcome": "valid", "when": when}, at(5).moment, 10)


def test_a_bag_that_cannot_be_read_does_not_keep_the_others_from_being_checked(
    shelf: Path, tmp_path: Path
) -> None:
    found = recheck_bags([tmp_path / "nowhere", shelf], now=at(1), ledger=tmp_path / "l", new_ledger=True)
    assert outcomes(found) == {"nowhere": "unreadable", "one": "valid", "two": "valid"}
    assert not all(one.valid for one in found.bags)


def test_checking_nothing_is_never_a_pass(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    for ledger in (None, tmp_path / "l"):
        with pytest.raises(NothingToDoError):
            recheck_bags([tmp_path / "empty"], now=at(1), ledger=ledger, new_ledger=True)


@pytest.mark.parametrize(
    ("spoil", "error"),
    [
        (lambda path: tamper(path, "DELETE FROM rows WHERE number = 2"), LedgerError),
        (lambda path: path.unlink(), StorageError),
    ],
)
def test_nothing_is_checked_against_a_ledger_that_is_not_whole(
    shelf: Path, tmp_path: Path, spoil: Callable[[Path], None], error: type[Exception]
) -> None:
    head = run(shelf, tmp_path / "l", 1).head
    spoil(tmp_path / "l")
    with pytest.raises(error):
        run(shelf, tmp_path / "l", 2, expect_head=head)


def test_staging_folders_links_and_bags_inside_bags_are_passed_over(shelf: Path, tmp_path: Path) -> None:
    bag_cases.bag(shelf / ".one.staging-0123abcd/one")
    bag_cases.bag(shelf / "two/data/inner")
    (shelf / "link").symlink_to(shelf / "one")
    assert find_bags([shelf]) == [str(shelf / "one"), str(shelf / "two")]


# --- exports ----------------------------------------------------------------------------------------------


def test_no_cell_of_the_table_is_a_formula_or_acts_on_a_terminal() -> None:
    hostile = {
        "bag": "=HYPERLINK(1)",
        "note": 'a\x1b[31m,"b"\r\n=c',
        "problems": [{"kind": "altered", "path": "@x"}],
    }
    lines = "".join(history_csv([(1, "-digest", hostile)]))
    header, row = csv.reader(io.StringIO(lines, newline=""))
    told = dict(zip(header, row, strict=True))
    assert (told["bag"], told["digest"]) == ("'=HYPERLINK(1)", "'-digest")
    assert told["note"] == 'a\\x1b[31m,"b"\\r\\n=c'
    assert all(cell(value)[:1] not in set("=+-@\t\r") for value in ("=1", "+1", "-1", "@x", "\tx", "\rx"))


def test_the_history_exports_as_premis_events(shelf: Path, tmp_path: Path) -> None:
    lxml = pytest.importorskip("lxml.etree")
    run(shelf, tmp_path / "l", 1)
    (shelf / "one/data/x").write_bytes(b"eno")
    run(shelf, tmp_path / "l", 2)
    with Ledger(tmp_path / "l", OPENED) as ledger:
        ledger.add(
            {
                "kind": "mend",
                "bag": "/<&>\x00\ud800",
                "when": "2024-01-03T00:00:00Z",
                "tool": "x",
                "replaced": ["a"],
            }
        )
        rows = [(row.number, row.digest, row.body) for row in ledger.rows()]
    text = "".join(history_premis(rows))
    document = lxml.fromstring(text.encode("utf-8"))
    space = {"p": "http://www.loc.gov/premis/v3"}
    assert document.xpath("//p:eventType/text()", namespaces=space) == ["fixity check"] * 4 + ["recovery"]
    # Source: PREMIS event types and outcomes, id.loc.gov/vocabulary/preservation (fix, suc, fai).
    assert document.xpath("//p:eventType/@valueURI", namespaces=space)[0].endswith("/eventType/fix")
    assert document.xpath("//p:eventOutcome/text()", namespaces=space) == [
        "success",
        "success",
        "fail",
        "success",
        "success",
    ]
    linked = set(document.xpath("//p:linkingObjectIdentifierValue/text()", namespaces=space))
    assert linked == set(document.xpath("//p:objectIdentifierValue/text()", namespaces=space))
    if not XSD.exists():
        pytest.skip("the PREMIS schema is not beside the project")
    lxml.XMLSchema(lxml.parse(str(XSD))).assertValid(document)


def test_a_ledger_without_bags_has_no_events() -> None:
    assert list(history_premis([(1, "x", OPENED)])) == []


def test_the_document_of_a_recheck_is_plain_json(shelf: Path) -> None:
    (shelf / "one/data/x").unlink()
    document = recheck_bags([shelf / "one"], now=at(1)).bags[0].document()
    assert json.loads(json.dumps(document))["problems"][0]["kind"] == "missing"
    assert document["valid"] is False
