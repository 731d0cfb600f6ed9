"""Whole commands on altered inputs: every kind of file that a command reads, in turn.

Input number N is always the same: its kind is N modulo the kinds, its alteration comes from a dice of that
seed. `KINDS` maps each kind to the function that alters, runs and judges.
"""

from __future__ import annotations

import csv
import io
import json
import random
import sqlite3
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import yaml

from tests.journey import drilled
from tests.reliability import altering, fuzzed_bags
from tests.reliability.altering import Dice
from tests.reliability.fuzzed_shop import Shop, Wrong, copied, holds_all, rows_of, valid_bag

CHIPS = (
    ("chip", "part", "board", "socket", "state", "label"),
    ("U1", "2716", "main", "U1", "", "0117"),
    ("U2", "2716", "main", "U2", "", "1E3"),
    ("U3", "2716", "", "", "not-read", "=1"),
)


def fuzz(shop: Shop, number: int) -> str:
    """Run one input.

    Args:
        shop: Where.
        number: Of the input.

    Returns:
        "", or what was found.
    """
    kind = list(KINDS)[number % len(KINDS)]
    dice = random.Random(number)
    try:
        try:
            KINDS[kind](shop, dice)
        finally:
            shop.tidy()
    except Wrong as error:
        return f"input {number} ({kind}): {error}"
    return ""


# --- a project's files ------------------------------------------------------------------------------------


def sheet(shop: Shop, dice: Dice) -> None:
    """The sheet's tree or its text."""
    text = (shop.project / "sheet.yaml").read_text("utf-8")
    if dice.random() < 0.6:
        altered = altering.tree(dice, yaml.load(text, yaml.BaseLoader), texts_only=dice.random() < 0.7)
        raw = yaml.safe_dump(altered, allow_unicode=True, sort_keys=False).encode("utf-8", "replace")
    else:
        raw = altering.lines(dice, text.encode())
    _project(shop, dice, {"sheet.yaml": raw})


def table_csv(shop: Shop, dice: Dice) -> None:
    """The chips in a table of text."""
    held = io.StringIO()
    sign = dice.choice((",", ",", ";", "\t"))
    csv.writer(held, delimiter=sign, lineterminator="\n").writerows(altering.table(dice, CHIPS))
    raw = held.getvalue().encode("utf-8", "replace")
    raw = altering.lines(dice, raw) if dice.random() < 0.3 else raw
    _project(shop, dice, {"sheet.yaml": _by_table("chips.csv"), "chips.csv": raw})


def table_xlsx(shop: Shop, dice: Dice) -> None:
    """The chips in a spreadsheet: its cells, the texts inside it, or its bytes."""
    import openpyxl

    book = openpyxl.Workbook()
    assert book.active is not None
    rows = altering.table(dice, CHIPS) if dice.random() < 0.4 else CHIPS
    for row in rows:
        book.active.append(
            [cell.translate(dict.fromkeys([*range(9), 11, 12, *range(14, 32)], "?")) for cell in row]
        )
    held = io.BytesIO()
    book.save(held)
    raw = held.getvalue()
    if rows is CHIPS:
        raw = altering.raw(dice, raw) if dice.random() < 0.3 else _member_altered(dice, raw)
    _project(shop, dice, {"sheet.yaml": _by_table("chips.xlsx"), "chips.xlsx": raw})


def _member_altered(dice: Dice, raw: bytes) -> bytes:
    """A text inside a spreadsheet changed, and the whole packed anew with right check sums."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(raw)) as packed, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as again:
        chosen = dice.choice(packed.namelist())
        for name in packed.namelist():
            content = packed.read(name)
            if name == chosen:
                pieces = content.replace(b">", b">\n")
                content = (altering.lines if dice.random() < 0.7 else altering.raw)(dice, pieces)
            again.writestr(name, content)
    return out.getvalue()


def _by_table(name: str) -> bytes:
    start, end = drilled.SHEET.index("chips:"), drilled.SHEET.index("spaces:")
    return (drilled.SHEET[:start] + f"chips: {name}\n" + drilled.SHEET[end:]).encode()


def dump(shop: Shop, dice: Dice) -> None:
    """A reading, in one of the notations that readers print."""
    from tests.kit.files import hex_text, intel_hex, listing

    words = shop.given["dumps/U1.prog.1.bin"]
    notations: tuple[Callable[[bytes], bytes], ...] = (bytes, intel_hex, listing, hex_text)
    notation = dice.choice(notations)(words)
    raw = (altering.raw if notation is words or dice.random() < 0.3 else altering.lines)(dice, notation)
    path = shop.root / "out.dump"
    path.write_bytes(raw)
    shop.run("examine", path, "--part", "2716", *(["--json"] if dice.random() < 0.3 else []))
    if dice.random() < 0.3:
        shop.run("compare", shop.project / "dumps/U1.prog.1.bin", path, "--part", "2716")
    if dice.random() < 0.3:
        shop.run(
            "convert", path, "--to", dice.choice(("intel-hex", "binary")), "--output", shop.root / "out.hex"
        )
    if dice.random() < 0.1:
        _project(shop, dice, {"dumps/U1.prog.1.bin": raw})


def _project(shop: Shop, dice: Dice, changes: dict[str, bytes]) -> None:
    """`check`; where that finds nothing wrong now and then `package`, which must agree."""
    with shop.put(changes, shop.project):
        sound = shop.run("check", shop.project).code == 0
        if not sound or dice.random() < 0.6:
            return
        ran = shop.run("package", shop.project, "--into", shop.root / "out", "--json")
        if ran.code in {10, 11, 12}:
            raise Wrong("wrong acceptance", f"check found nothing, package: {ran.err[:300]}")
        if ran.code == 0:
            bag = Path(ran.document["bag"])
            valid_bag(bag, "package")
            holds_all(bag, {name: (shop.project / name).read_bytes() for name in (*shop.given, *changes)})


# --- the ledger -------------------------------------------------------------------------------------------


def ledger(shop: Shop, dice: Dice) -> None:
    """Its bytes, or its rows with the chain made to fit; the head that was kept elsewhere must catch that."""
    path = copied(shop, shop.ledger)
    assert shop.rows is not None
    head = str(shop.rows[-1][2])
    rows = altering.raw(dice, path.read_bytes()) if dice.random() < 0.5 else None
    if rows is not None:
        path.write_bytes(rows)
    else:
        _rows_altered(dice, path, shop.rows)
    found = rows_of(path)
    for more in ([], ["--verify"], ["--verify", "--expect-head", head]):
        ran = shop.run("ledger", path, *more)
        if ran.code == 0 and "--expect-head" in more and found != shop.rows:
            raise Wrong("wrong acceptance", f"other rows passed for whole: {str(found)[:300]}")
        if ran.code == 0 and more and rows is not None and found != shop.rows:
            raise Wrong("wrong acceptance", "damaged rows passed for whole")
    ran = shop.run("recheck", shop.copy, "--ledger", path, "--expect-head", head)
    if ran.code == 0 and found != shop.rows:
        raise Wrong("wrong acceptance", "other rows were believed")


def _rows_altered(dice: Dice, path: Path, before: list[tuple[Any, ...]]) -> None:
    """One row's body changed, or the last row gone, and the whole chain made anew."""
    from pipeline.edges.ledger import FIRST_PREVIOUS, chained

    after, previous = [], FIRST_PREVIOUS
    changed = dice.randrange(len(before))
    for number, row in enumerate(before):
        body = row[4]
        if number == changed:
            body = (
                json.dumps(altering.tree(dice, json.loads(body)))
                if dice.random() < 0.8
                else altering.text(dice, body)
            )
        body = body.encode("utf-8", "replace").decode()
        after.append((number + 1, previous, chained(previous, body), row[3], body))
        previous = after[-1][2]
    if dice.random() < 0.2:
        after.pop()
    base = sqlite3.connect(path, isolation_level=None)
    triggers = base.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    for name, _ in triggers:
        base.execute(f"DROP TRIGGER {name}")
    base.execute("DELETE FROM rows")
    base.executemany("INSERT INTO rows VALUES (?, ?, ?, ?, ?)", after)
    for _, sql in triggers:
        base.execute(sql)
    base.close()


KINDS: dict[str, Callable[[Shop, Dice], None]] = {
    "sheet": sheet,
    "CSV": table_csv,
    "XLSX": table_xlsx,
    "dump": dump,
    "record": fuzzed_bags.record,
    "ledger": ledger,
    "PREMIS": fuzzed_bags.premis,
    "tag files": fuzzed_bags.tag_files,
    "zip": fuzzed_bags.archive_zip,
    "tar": fuzzed_bags.archive_tar,
    "photograph": fuzzed_bags.photograph,
}
