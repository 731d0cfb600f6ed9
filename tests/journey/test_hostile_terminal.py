"""Whatever text comes in, no command prints a character that acts on a terminal, nor a line not its own.

All of it lies in a folder whose name is hostile, with sheets, names, notes, rows and archives that are
hostile too; every command meets them, in words and as JSON, on terminals of two encodings. What counts is
what was written to standard output and standard error, character for character.
"""

from __future__ import annotations

import contextlib
import copy
import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import tarfile
import unicodedata
import zipfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from pipeline.edges.ledger import Ledger
from tests.journey import drilled
from tests.journey.cli import Ran, wellread
from tests.kit.forked import ending
from tests.outside import bag_cases

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="names that Windows cannot make")
ROOT = Path(__file__).parents[2]
MARKUP = "[bold red]Q"
ESCAPES = (
    "\x1b[31m"  # a colour
    "\x1b]8;;x:evil\x07"  # a link (OSC 8)
    "\x1b]0;owned\x1b\\"  # a window's title
    "\x9b2J"  # clear the screen, by the one-character form of ESC [
    "\x90q\x9c"  # a device control string
    "\x08\x7f"  # back over what was said
    "\u202e\u2066\u200f\u200b\ufeff"  # text turned round, text unseen
    "\rFORGED\x0bFORGED\x0cFORGED\x1cFORGED\x85FORGED\u2028FORGED\u2029FORGED"  # a line that is not ours
)
EVIL = f"e{MARKUP}\nFORGED{ESCAPES}"
"""The markup and the line come first: what is long is told cut short."""
ONE_LINE, ENCODED = EVIL.replace("\n", ""), EVIL.replace("\n", "%0A").replace("\r", "%0D")
Words = Sequence[str | Path]


def assert_inert(text: str) -> None:
    """No control but line feed and tab, nothing unseen or turning, and no line that begins with `FORGED`."""
    acting = {char for char in text if char not in "\n\t" and unicodedata.category(char) in UNSEEN}
    assert not acting, f"{acting} in {text!r}"
    assert not [line for line in text.splitlines() if line.strip().startswith("FORGED")], text


UNSEEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
"""Categories of the Unicode Standard, chapter 4.5: controls, formats, surrogates, private, unassigned,
separators.
"""


class World:
    """A hostile folder with all that the commands take.

    Args:
        place: An empty folder.
    """

    def __init__(self, place: Path) -> None:
        self.root = place / EVIL
        self.root.mkdir()
        self.project = self.root / "m"
        drilled.project(self.root)
        (self.project / "sheet.yaml").write_text(sheet(), encoding="utf-8")
        # The survey refuses names with controls of ASCII (see `check bad names`); those of C1 and the turning
        # marks it keeps.
        (self.project / "dumps/c1\x9b31m\u202e[bold red].bin").write_bytes(b"stray")
        self.bag = self.made("package", self.project, "--into", self.root, into="m-v1")
        self.ledger = self.root / f"ledger{EVIL}"
        assert wellread("recheck", self.bag, "--ledger", self.ledger, "--new-ledger").code == 0
        self.dump = self.root / f"dump{EVIL}.bin"
        shutil.copyfile(self.project / "dumps/U1.prog.1.bin", self.dump)
        self.listing = self.root / f"listing{EVIL}.txt"
        self.listing.write_text(f"0000: 01 02 03 04\n0004: 01 {EVIL} 03 04\n", encoding="utf-8")

    def made(self, *words: str | Path, into: str) -> Path:
        ran = wellread(*words)
        assert ran.code == 0, ran.err
        return self.root / into

    def fresh(self, name: str) -> Path:
        """A path at which nothing is, of a hostile name."""
        path = self.root / f"{name}{EVIL}"
        shutil.rmtree(path, ignore_errors=True)
        path.unlink(missing_ok=True)
        return path

    def copied(self, name: str) -> Path:
        """The bag once more, to be changed."""
        return Path(shutil.copytree(self.bag, self.fresh(name)))

    def drafted(self, text: str, name: str = "project") -> Path:
        """A project of one dump with this sheet."""
        folder = self.fresh(name)
        (folder / "dumps").mkdir(parents=True)
        shutil.copyfile(self.dump, folder / "dumps/U1.prog.1.bin")
        (folder / "sheet.yaml").write_text(text, encoding="utf-8")
        return folder


def sheet() -> str:
    """The drills' sheet with hostile text wherever a person may write any."""
    evil = json.dumps(EVIL)
    return f"""\
machine: {{id: m, name: {evil}, maker: {evil}, model: {evil}, serial: {evil}, description: {evil}}}
custodian: {{name: {evil}, organisation: {evil}, contact: {evil}, place: {evil}}}
readers: {{prog: {{kind: device-programmer, name: {evil}, version: {evil}, operator: {evil}, notes: {evil}}}}}
boards: {{main: {{name: {evil}, number: {evil}, revision: {evil}, sockets: [U1, U2, {evil}], notes: {evil}}}}}
chips:
  - {{chip: U1, part: '2716', board: main, socket: U1, marking: {evil}, label: {evil},
     date_code: {evil}, role: {evil}, notes: {evil}}}
  - {{chip: U2, part: '2716', board: main, socket: U2, revision: {evil}}}
  - {{chip: U3, part: '2716', state: not-read, attempts: [{{outcome: {evil}}}]}}
readings:
  - {{chip: U1, reader: prog, file: U1.prog.1.bin, sitting: {evil}, device_setting: {evil}}}
  - {{chip: U2, reader: prog, file: U2.prog.1.bin}}
spaces:
  - {{name: program, width: 8, placements: [{{at: 0, lanes: [U1]}}, {{at: 2048, lanes: [U2]}}]}}
rights: {{statement: CC0-1.0, note: {evil}, holder: {evil}}}
release: {{allowed_by: {evil}, ground: decision, documents: [docs/notes.txt]}}
"""


OURS = re.compile(r"\x1b\[(?:2K|1A|\?25[lh]|1;31m|33m|0m|1m)")
"""What this program itself writes to a terminal: a line wiped, the cursor hidden and shown, severities."""


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> World:
    return World(tmp_path_factory.mktemp("w"))


MINIMAL = "machine: {id: m, name: M}\nreaders: {prog: {kind: device-programmer}}\n"


def _undrafted(world: World) -> Path:
    folder = world.drafted("", "undrafted")
    (folder / "sheet.yaml").unlink()
    (folder / "dumps/c1\x9b31m\u202e[bold red].bin").write_bytes(b"x")
    return folder


def _damaged_version(world: World) -> Path:
    place = world.fresh("damaged-version")
    shutil.copytree(world.bag, place / "m-v1")
    (place / "m-v1/data/report/index.html").write_bytes(b"")
    return place


def _leftover(world: World) -> Path:
    place = world.fresh("leftover")
    (place / ".m-v1.staging-00000000").mkdir(parents=True)
    return place


def _table(world: World) -> Path:
    folder = world.drafted(f"{MINIMAL}chips: chips.csv\n", "table")
    (folder / "chips.csv").write_text(f'chip,part,{ONE_LINE}\nU1,"{EVIL}",x\n', encoding="utf-8")
    return folder


def _bad_names(world: World) -> Path:
    folder = world.drafted(f"{MINIMAL}chips: [{{chip: U1, part: '2716'}}]\n", "names")
    (folder / f"dumps/{EVIL}").write_bytes(b"x")
    (folder / f"dumps/{EVIL} folder").mkdir()
    (folder / "dumps/link").symlink_to(EVIL)
    return folder


def _bad_bag(world: World) -> Path:
    bag = world.copied("bad-bag")
    for path in (bag / EVIL, bag / "data" / EVIL, bag / f"data/dumps{EVIL}/{EVIL}"):
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"stray")
    (bag / "data/link").symlink_to(EVIL)
    with (bag / "bag-info.txt").open("a", encoding="utf-8", newline="") as stream:
        stream.write(f"{EVIL}\nPayload-Oxum: {EVIL}\n{EVIL}: x\n")
    with (bag / "manifest-sha256.txt").open("a", encoding="utf-8", newline="") as stream:
        stream.write(
            f"{'0' * 64}  data/{EVIL}\n{EVIL}  data/x\n{'0' * 64}  ../{EVIL}\n{'0' * 64}  data/{ENCODED}\n"
        )
    (bag / "fetch.txt").write_text(f"x:{EVIL} 1 data/{EVIL}\n", encoding="utf-8")
    (bag / f"manifest-{EVIL}.txt").write_bytes(b"")
    return bag


def _bad_declaration(world: World) -> Path:
    bag = world.copied("bad-declaration")
    (bag / "bagit.txt").write_text(
        f"BagIt-Version: {EVIL}\nTag-File-Character-Encoding: {EVIL}\n", encoding="utf-8"
    )
    return bag


def _zip(world: World) -> Path:
    path = world.fresh("packed")
    with zipfile.ZipFile(path, "w") as made:
        made.writestr("bag/bagit.txt", "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
        for name in (EVIL, f"bag/{EVIL}", f"bag/data/{EVIL}", f"../{EVIL}", f"bag/data/{EVIL}/"):
            made.writestr(name, "x")
    return path


def _tar(world: World) -> Path:
    path = world.fresh("taped")
    with tarfile.open(path, "w") as made:
        for name in ("bag/bagit.txt", EVIL, f"bag/{EVIL}", f"bag/data/{EVIL}", f"../{EVIL}"):
            made.addfile(tarfile.TarInfo(name))
    return path


def _twice_in_a_zip(world: World) -> Path:
    path = world.fresh("overlapping")
    with zipfile.ZipFile(path, "w") as made:
        made.writestr(f"bag/{EVIL}", "x" * 99)
        made.filelist.append(made.filelist[0])
    return path


def _forged_ledger(world: World) -> Path:
    path = world.fresh("forged-ledger")
    shutil.copyfile(world.ledger, path)
    row = {
        "kind": EVIL,
        "when": EVIL,
        "tool": EVIL,
        "bag": f"/{EVIL}",
        "outcome": EVIL,
        "note": EVIL,
        "receipt": EVIL,
        "problems": [{"kind": EVIL, "path": EVIL, "means": EVIL, "severity": EVIL}],
    }
    with Ledger(path, {"kind": "opened", "when": "", "tool": ""}) as book:
        book.add(row)
    return path


def _cut_ledger(world: World) -> Path:
    path = _forged_ledger(world)
    with contextlib.closing(sqlite3.connect(path)) as base:
        base.execute("DROP TRIGGER rows_stay")
        base.execute("UPDATE rows SET body = replace(body, 'e', 'a'), digest = ? WHERE number = 2", (EVIL,))
        base.commit()
    return path


def _damaged(world: World) -> Path:
    bag = world.copied("damaged")
    (bag / "data/report/index.html").write_bytes(b"")
    for left in bag.parent.glob("damaged*.mend-*"):
        left.unlink()
    return bag


def _hostile_names(world: World) -> tuple[Path, Path]:
    """A damaged bag of which every file has a hostile name, and its copy."""
    bag, copy_ = world.fresh("named"), world.fresh("named-copy")
    bag_cases.bag(bag, {f"data/{number}{EVIL}": bytes([number]) for number in range(3)})
    shutil.copytree(bag, copy_)
    (bag / f"data/0{EVIL}").write_bytes(b"damaged")
    return bag, copy_


def _mend(world: World) -> Words:
    bag, copy_ = _hostile_names(world)
    return [
        "mend",
        bag,
        "--from",
        copy_,
        "--receipt",
        wellread("recheck", copy_, "--json").document["bags"][0]["receipt"],
    ]


def _unmendable(world: World) -> Words:
    bag, copy_ = _hostile_names(world)
    (copy_ / f"data/0{EVIL}").write_bytes(b"damaged too")
    return ["mend", bag, "--from", copy_]


def _rightless(world: World) -> Path:
    bag = world.copied("rightless")
    path = bag / "metadata/record.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps({**record, "rights": {"statement": EVIL}}), encoding="utf-8")
    bag_cases.seal(bag)
    return bag


def _relabelled(world: World) -> Path:
    bag = world.copied("relabelled")
    path = bag / "metadata/record.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    for chip in record["chips"]:
        chip.update(label=f"{EVIL} again", marking=f"{EVIL} again")
    path.write_text(json.dumps(record), encoding="utf-8")
    bag_cases.seal(bag)
    return bag


def _other_machine(world: World) -> Path:
    """The bag once more as another machine's, so that every chip of it has a twin there."""
    bag = world.copied("other-machine")
    path = bag / "metadata/record.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    record["machine"] |= {"id": "other", "serial": "another"}
    path.write_text(json.dumps(record), encoding="utf-8")
    bag_cases.seal(bag)
    return bag


def _hex(world: World, *more: str | Path) -> Words:
    return ["convert", world.dump, "--to", "intel-hex", "-o", world.fresh("hex"), *more]


CASES: dict[str, Callable[[World], Words]] = {
    "a command of that name": lambda _: [EVIL],
    "an option of that name": lambda _: ["check", f"--{EVIL}"],
    "too many arguments": lambda _: ["check", "x", EVIL],
    "start": lambda w: ["start", _undrafted(w)],
    "start where a sheet is": lambda w: ["start", w.project],
    "start nowhere": lambda _: ["start", f"/nowhere{EVIL}"],
    "check": lambda w: ["check", w.project],
    "check no project": lambda w: ["check", w.root],
    "check a file": lambda w: ["check", w.dump],
    "check an unknown field": lambda w: [
        "check",
        w.drafted(f"{MINIMAL}{json.dumps(EVIL)}: x\nchips: [{{chip: U1, {json.dumps(EVIL)}: 1}}]\n"),
    ],
    "check bad values": lambda w: [
        "check",
        w.drafted(
            f"{MINIMAL}chips:\n  - {{chip: {json.dumps(EVIL)}, part: {json.dumps(EVIL)}, state: "
            f"{json.dumps(EVIL)}}}\n"
            f"readings:\n  - {{chip: U1, reader: {json.dumps(EVIL)}, file: {json.dumps(EVIL)}, date: "
            f"{json.dumps(EVIL)}}}\n"
        ),
    ],
    "check a key twice": lambda w: [
        "check",
        w.drafted(f"{MINIMAL}{json.dumps(EVIL)}: 1\n{json.dumps(EVIL)}: 2\n"),
    ],
    "check a tag": lambda w: ["check", w.drafted(f"{MINIMAL}chips: !<{MARKUP}%1B> x\n")],
    "check an alias": lambda w: ["check", w.drafted(f"{MINIMAL}chips: *{'x' * 9}\n")],
    "check raw controls": lambda w: ["check", w.drafted(f"{MINIMAL}x: '{EVIL}'\n")],
    "check bad names": lambda w: ["check", _bad_names(w)],
    "check a table": lambda w: ["check", _table(w)],
    "check a missing table": lambda w: [
        "check",
        w.drafted(f"{MINIMAL}chips: {json.dumps(ONE_LINE + '.csv')}\n"),
    ],
    "package": lambda w: ["package", w.project, "--into", w.fresh("into")],
    "package several": lambda w: ["package", w.project, w.root, "--into", w.fresh("into")],
    "release several": lambda w: ["release", w.bag, _bad_bag(w), "--dry-run"],
    "package what is packed": lambda w: ["package", w.project, "--into", w.root],
    "package into a file": lambda w: ["package", w.project, "--into", w.dump],
    "package into itself": lambda w: ["package", w.project, "--into", w.project / EVIL],
    "package beside a damaged version": lambda w: ["package", w.project, "--into", _damaged_version(w)],
    "package beside a leftover": lambda w: ["package", w.project, "--into", _leftover(w)],
    "package and clear a leftover": lambda w: [
        "package",
        w.project,
        "--into",
        _leftover(w),
        "--clear-leftovers",
    ],
    "examine": lambda w: ["examine", w.dump],
    "examine several": lambda w: ["examine", w.dump, w.dump, "--part", "2716"],
    "examine nothing": lambda _: ["examine", f"/nowhere{EVIL}"],
    "examine a folder": lambda w: ["examine", w.project],
    "examine a listing": lambda w: ["examine", w.listing],
    "examine an unknown part": lambda w: ["examine", w.dump, "--part", EVIL],
    "examine an unknown organisation": lambda w: ["examine", w.dump, "--organisation", EVIL],
    "examine an unknown format": lambda w: ["examine", w.dump, "--format", EVIL],
    "compare": lambda w: ["compare", w.dump, w.dump],
    "compare a listing": lambda w: ["compare", w.dump, w.listing],
    "compare and undo": lambda w: ["compare", w.dump, w.dump, "--undo", w.fresh("undone")],
    "compare and undo onto a file": lambda w: ["compare", w.dump, w.dump, "--undo", w.dump],
    "convert": _hex,
    "convert a listing": lambda w: ["convert", w.listing, "--to", "binary", "-o", w.fresh("hex")],
    **{
        f"convert, a wrong {option}": (lambda w, option=option: _hex(w, f"--{option}", EVIL))  # type: ignore[misc]
        for option in ("fill", "base", "word-order", "token", "span", "address", "format", "pass")
    },
    "convert to an unknown form": lambda w: ["convert", w.dump, "--to", EVIL, "-o", w.fresh("hex")],
    "convert onto a file": lambda w: ["convert", w.dump, "--to", "binary", "-o", w.dump],
    "schema": lambda _: ["schema", EVIL],
    "recheck": lambda w: ["recheck", w.bag],
    "recheck a bad bag": lambda w: ["recheck", _bad_bag(w)],
    "recheck a bad declaration": lambda w: ["recheck", _bad_declaration(w)],
    "recheck a zip": lambda w: ["recheck", _zip(w)],
    "recheck a tar": lambda w: ["recheck", _tar(w)],
    "recheck a trap": lambda w: ["recheck", _twice_in_a_zip(w)],
    "recheck a file": lambda w: ["recheck", w.dump],
    "recheck nothing": lambda _: ["recheck", f"/nowhere{EVIL}"],
    "recheck with a ledger": lambda w: ["recheck", w.bag, "--ledger", w.ledger, "--due", "9"],
    "recheck with no ledger": lambda w: ["recheck", w.bag, "--ledger", w.dump],
    "recheck with a forged ledger": lambda w: ["recheck", w.bag, "--ledger", _forged_ledger(w)],
    "recheck with a cut ledger": lambda w: ["recheck", w.bag, "--ledger", _cut_ledger(w)],
    "recheck with an unknown head": lambda w: ["recheck", w.bag, "--ledger", w.ledger, "--expect-head", EVIL],
    "ledger": lambda w: ["ledger", w.ledger],
    "ledger, forged": lambda w: ["ledger", _forged_ledger(w)],
    "ledger, cut": lambda w: ["ledger", _cut_ledger(w)],
    "ledger, cut and verified": lambda w: ["ledger", _cut_ledger(w), "--verify"],
    "ledger, an unknown head": lambda w: ["ledger", w.ledger, "--expect-head", EVIL],
    "ledger, exported": lambda w: ["ledger", w.ledger, "--csv", w.fresh("csv"), "--premis", w.fresh("xml")],
    "ledger, exported onto a file": lambda w: ["ledger", w.ledger, "--csv", w.dump],
    "ledger, an acceptance": lambda w: [
        "ledger",
        _forged_ledger(w),
        "--accept",
        _rightless(w),
        "--because",
        EVIL,
    ],
    "ledger that is none": lambda w: ["ledger", w.dump],
    "mend": _mend,
    "mend from nothing": lambda w: ["mend", _damaged(w), "--from", f"/nowhere{EVIL}"],
    "mend what is whole": lambda w: ["mend", w.bag, "--from", w.bag],
    "mend without a copy that proves itself": _unmendable,
    "mend by a wrong receipt": lambda w: ["mend", _damaged(w), "--from", w.bag, "--receipt", EVIL],
    "parts": lambda _: ["parts", EVIL],
    "explain": lambda _: ["explain", EVIL],
    "parts of a kind": lambda _: ["parts", "--kind", EVIL],
    "release, said only": lambda w: ["release", w.bag, "--dry-run"],
    "release": lambda w: ["release", w.bag, "--into", w.fresh("out")],
    "release a bag without rights": lambda w: ["release", _rightless(w), "--dry-run"],
    "release a bad bag": lambda w: ["release", _bad_bag(w), "--dry-run"],
    "release no bag": lambda w: ["release", w.project, "--dry-run"],
    "burn": lambda w: ["burn", w.bag, "--chip", "U1", "--into", "2716", "-o", w.fresh("burnt")],
    "listing": lambda w: ["listing", w.bag, "--chip", "U1", "--processor", "z80"],
    "listing of an unknown chip": lambda w: ["listing", w.bag, "--chip", EVIL],
    "listing for an unknown processor": lambda w: ["listing", w.bag, "--chip", "U1", "--processor", EVIL],
    "burn an unknown chip": lambda w: ["burn", w.bag, "--chip", EVIL, "--into", "2716"],
    "burn an unknown space": lambda w: ["burn", w.bag, "--space", EVIL, "--into", "2716"],
    "burn into an unknown part": lambda w: ["burn", w.bag, "--chip", "U1", "--into", EVIL],
    **{
        f"burn, a wrong {option}": (
            lambda w, option=option: [  # type: ignore[misc]
                "burn",
                w.bag,
                "--chip",
                "U1",
                "--into",
                "2732",
                f"--{option}",
                EVIL,
            ]
        )
        for option in (
            "format",
            "layout",
            "byte-order",
            "socket",
            "select",
            "address-order",
            "data-order",
            "invert-address",
            "invert-data",
        )
    },
    "burn a space": lambda w: ["burn", w.bag, "--space", "program", "--into", "2716", "-o", w.fresh("burnt")],
    "reopen": lambda w: ["reopen", w.bag, "--into", w.fresh("reopened")],
    "reopen a bad bag": lambda w: ["reopen", _bad_bag(w), "--into", w.fresh("reopened")],
    "reopen onto a folder": lambda w: ["reopen", w.bag, "--into", w.project],
    "changes": lambda w: ["changes", w.bag, _relabelled(w)],
    "changes of a bad bag": lambda w: ["changes", w.bag, _bad_bag(w)],
    "twins": lambda w: ["twins", w.bag, "--among", _other_machine(w)],
    "twins into a sheet": lambda w: [
        "twins",
        w.bag,
        "--among",
        _other_machine(w),
        "--project",
        w.drafted(f"{MINIMAL}chips: [{{chip: U1, part: '2716'}}]\n", "twinned"),
    ],
    "twins of a bad bag": lambda w: ["twins", _bad_bag(w), "--among", w.bag],
    "twins among bad bags": lambda w: ["twins", w.bag, "--among", _bad_bag(w)],
    "holdings": lambda w: ["holdings", w.root, "--next"],
    "holdings, every question": lambda w: ["holdings", w.bag, "--part", EVIL, "--label", EVIL],
    "holdings, a label": lambda w: ["holdings", w.bag, "--label", EVIL],
    "holdings, a grade": lambda w: ["holdings", w.bag, "--grade", "single"],
    "holdings of a bad bag": lambda w: ["holdings", _bad_bag(w), "--next"],
    "holdings of a zip": lambda w: ["holdings", _zip(w)],
    "holdings like a file": lambda w: ["holdings", w.bag, "--file", w.dump],
    "holdings with no index": lambda w: ["holdings", w.bag, "--index", w.dump],
    "holdings written": lambda w: ["holdings", w.bag, "--csv", w.fresh("csv"), "--page", w.fresh("page")],
    "bench": lambda _: ["bench", EVIL],
    "bench from an unknown part": lambda _: ["bench", "2716", "--from", EVIL],
    "bench for a project": lambda w: ["bench", "2716", "--project", w.project, "--html", w.fresh("bench")],
    "bench for no project": lambda w: ["bench", "2716", "--project", w.root],
    "capture from no port": lambda w: [
        "capture",
        f"/nowhere{EVIL}",
        "--chip",
        "U1",
        "--reader",
        "prog",
        "--project",
        w.project,
    ],
    "capture an unknown chip": lambda w: [
        "capture",
        "/dev/null",
        "--chip",
        EVIL,
        "--reader",
        EVIL,
        "--project",
        w.project,
    ],
    "watch no port": lambda _: ["watch", f"/nowhere{EVIL}", "--part", "2716"],
    "watch an unknown part": lambda _: ["watch", "/dev/null", "--part", EVIL],
    "watch with an unknown bell": lambda _: ["watch", "/dev/null", "--part", "2716", "--bell", EVIL],
    "watch like no chip": lambda w: ["watch", "/dev/null", "--part", "2716", "--like", w.listing],
    "watch for an unknown chip": lambda w: [
        "watch",
        "/dev/null",
        "--then-capture",
        "--chip",
        EVIL,
        "--reader",
        EVIL,
        "--project",
        w.project,
    ],
    "capture an unknown part": lambda w: [
        "capture",
        "/dev/null",
        "--chip",
        "U1",
        "--reader",
        "prog",
        "--part",
        EVIL,
        "--project",
        w.project,
    ],
}
TELLS_NOTHING = {
    "check a tag",
    "check an alias",
    "check raw controls",
    "convert, a wrong pass",
    "bench for a project",
    "listing",
}
"""Cases whose own text cannot hold anything hostile; what they print is still looked at."""


def test_every_command_has_a_case() -> None:
    from pipeline.cli import app

    commands = {one.name or getattr(one.callback, "__name__", "") for one in app.registered_commands}
    assert commands - {each.split()[0].rstrip(",") for each in CASES} == set()


@pytest.mark.parametrize("case", CASES)
def test_nothing_that_a_command_prints_acts_on_a_terminal(case: str, world: World) -> None:
    for encoding in ("utf-8", "cp1252"):
        ran = wellread(*CASES[case](world), encoding=encoding)
        said = ran.out + ran.err
        assert ran.code != 70, ran.err
        assert "Traceback" not in ran.err
        assert_inert(ran.out)
        assert_inert(ran.err)
        # What was hostile is really told, its markup as it was written: a test of silence would show nothing.
        assert "[bold" in said or case in TELLS_NOTHING, said
    ran = wellread(*CASES[case](world), "--json")
    assert_inert(ran.err)
    assert all(char == "\n" or " " <= char <= "~" for char in ran.out)
    if ran.out:
        json.loads(ran.out)


# --- forged records -----------------------------------------------------------------------------------------


def _places(value: Any, *inside: str | int) -> Iterator[tuple[str | int, ...]]:
    if isinstance(value, dict):
        for key, each in value.items():
            yield from _places(each, *inside, key)
    elif isinstance(value, list):
        for number, each in enumerate(value):
            yield from _places(each, *inside, number)
    elif isinstance(value, str):
        yield inside


def _with(record: dict[str, Any], place: Sequence[str | int]) -> dict[str, Any]:
    forged = copy.deepcopy(record)
    holder: Any = forged
    for key in place[:-1]:
        holder = holder[key]
    holder[place[-1]] += EVIL
    return forged


@pytest.mark.sampled
def test_no_text_of_a_forged_record_acts_on_a_terminal(tmp_path: Path) -> None:
    bag = drilled.packaged() / "m-v1"
    record = json.loads((bag / "metadata/record.json").read_text(encoding="utf-8"))
    kinds: dict[tuple[str, ...], tuple[str | int, ...]] = {}
    for place in _places(record):
        kinds.setdefault(tuple("" if isinstance(key, int) else key for key in place), place)
    assert len(kinds) > 100
    drilled.project(tmp_path)
    told, places = 0, list(kinds.values())[:: 1 if settings().max_examples >= 200 else 8]
    for place in places:
        (tmp_path / "into").mkdir()
        forged = Path(shutil.copytree(bag, tmp_path / "into/m-v1"))
        (forged / "metadata/record.json").write_text(json.dumps(_with(record, place)), encoding="utf-8")
        bag_cases.seal(forged)
        commands: tuple[Words, ...] = (
            ["package", tmp_path / "m", "--into", tmp_path / "into"],
            ["release", forged, "--dry-run"],
            ["changes", bag, forged],
            ["reopen", forged, "--into", tmp_path / "into/again"],
            ["burn", forged, "--chip", "U1", "--into", "2716", "-o", tmp_path / "into/burnt"],
        )
        for command in commands:
            ran = wellread(*command)
            assert ran.code != 70, (place, ran.err)
            assert_inert(ran.out + ran.err)
            told += "[bold red]" in ran.out + ran.err
        shutil.rmtree(tmp_path / "into")
    assert told > len(places) // 3


# --- what is read later, in a terminal too ------------------------------------------------------------------


def test_every_text_that_goes_into_a_bag_or_a_bundle_is_inert(world: World) -> None:
    out = world.fresh("read-later")
    assert wellread("release", world.bag, "--into", out).code == 0
    texts = [
        path
        for folder in (world.bag, out / "m-v1-public")
        for path in folder.rglob("*")
        if path.suffix in {".txt", ".html", ".xml", ".json", ".jsonld", ".md", ".csv", ".js", ".css"}
        # What a person gave goes in as it was given.
        and not path.relative_to(folder)
        .as_posix()
        .startswith(("data/dumps", "data/sheet", "data/docs", "data/readings"))
    ]
    assert {path.suffix for path in texts} >= {".txt", ".html", ".xml", ".json"}
    shown = 0
    for path in texts:
        text = path.read_text(encoding="utf-8")
        acting = {char for char in text if char not in "\n\t" and unicodedata.category(char) in UNSEEN}
        assert not acting, f"{path.name}: {acting}"
        # A long value of bag-info.txt goes on in a line that begins with a blank (RFC 8493 section 2.2.2).
        # To HTML a line's end is a blank.
        forged = [line for line in text.splitlines() if line.startswith("FORGED")]
        assert not forged or path.suffix == ".html", path.name
        shown += "bold red" in text
    assert shown > 5


# --- a real terminal ----------------------------------------------------------------------------------------


def on_a_terminal(*words: str | Path) -> tuple[int, str]:
    """A command whose three streams are a terminal; how it ended, and every byte that the terminal got."""
    import pty

    ours, its = pty.openpty()
    with ending(
        subprocess.Popen(
            [sys.executable, "-m", "pipeline", *map(str, words)],
            cwd=ROOT,
            stdin=its,
            stdout=its,
            stderr=its,
            env={**os.environ, "TERM": "xterm-256color", "FORCE_COLOR": "1"},
        )
    ) as process:
        os.close(its)
        parts = []
        # The end of a terminal shows as an error on Linux and as nothing left elsewhere.
        with contextlib.suppress(OSError):
            while part := os.read(ours, 65536):
                parts.append(part)
        os.close(ours)
    return process.returncode, b"".join(parts).decode("utf-8")


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="there are no pseudo-terminals here")
@pytest.mark.parametrize(
    "case", ["package", "recheck", "recheck a bad bag", "release", "mend", "a command of that name"]
)
def test_on_a_real_terminal_progress_and_all_are_inert_too(case: str, world: World) -> None:
    code, said = on_a_terminal(*CASES[case](world))
    assert code != 70
    if case in {"package", "recheck", "release"}:
        assert "\r" in said.replace("\r\n", ""), "no progress was shown"
    # The terminal itself turns each line feed into two characters; a progress line begins with the first of
    # them.
    plain = OURS.sub("", said).replace("\r\n", "\n").replace("\r", "\n")
    assert_inert(plain)
    assert "[bold red]" in plain


def test_a_child_process_writes_the_same_inert_bytes(world: World) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", "recheck", str(_bad_bag(world))],
        cwd=ROOT,
        capture_output=True,
        check=False,
    )
    assert done.returncode == 1
    for raw in (done.stdout, done.stderr):
        assert not [byte for byte in raw if (byte < 32 and byte not in b"\n\t") or byte == 127]
        assert_inert(raw.decode("utf-8"))
    assert Ran(1, done.stdout.decode(), "").out.count("[bold red]") > 5
