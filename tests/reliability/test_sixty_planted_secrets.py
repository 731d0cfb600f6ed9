"""Sixty private values planted in fifteen encodings wherever something goes out: none is in the bundle or
its zip.

The list is here. What goes out is searched by this test alone: the bytes of every file, of every member of
the zip and of every name, for each value in each encoding, as it is, in capitals, in small letters and
decomposed.
"""

from __future__ import annotations

import itertools
import json
import struct
import unicodedata
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.journey.cli import wellread
from tests.kit.files import listing
from tests.reliability.test_private_values_stay_behind import ENCODINGS, FAMILY, chunk, innocent, png

FAMILIES = (
    *FAMILY,
    *("Halvorsby", "Ångmark", "Pennimead", "Łukasiak", "Brannoch", "Dvořáček", "Ystwyth", "Çelikoğlu"),
    *("Ravensdene", "Ofstegaard"),
)
OPERATORS = [f"Tamsin {family}" for family in FAMILIES]
READER_SERIALS = [f"88-11{number}-PX" for number in range(70, 88)]
BOARD_SERIALS = [f"SQ-0{number}77/{number}" for number in range(10, 18)]
CONTACT = "Ilsabet Quornström, +44 20 7946 0018, ilsabet.q@museum.example"
PLACE = "Tenter Lane 14 store, shelf 14-C"
MACHINE = ["CW78-0413-Q", "acc. 1967/412 (gift)"]
CHIP_NOTES = [
    f"bought from widow {family} in the year {year}"
    for family, year in zip(FAMILIES, range(1991, 1997), strict=False)
]
READING_OPERATORS = [f"Jorrit van {family}" for family in FAMILIES[:6]]
SECRETS = [
    *OPERATORS,
    *READER_SERIALS,
    *BOARD_SERIALS,
    *(CONTACT, PLACE),
    *MACHINE,
    *CHIP_NOTES,
    *READING_OPERATORS,
]
WAYS = (str, str.upper, str.lower, lambda text: unicodedata.normalize("NFD", text))


def encoded(text: str) -> Iterator[bytes]:
    """A text in each encoding that has all its signs."""
    for encoding in ENCODINGS:
        try:
            yield text.encode(encoding)
        except UnicodeEncodeError:
            continue


def planted(folder: Path, encodings: int) -> int:
    """A project with every value in documents, logs, names, photographs and public texts.

    Gives how many times.
    """
    for name in ("dumps", "docs", "photos"):
        (folder / name).mkdir(parents=True)
    documents, rows, times = [], [], 0
    for number, secret in enumerate(SECRETS):
        forms = list(dict.fromkeys(encoded(f"Read on a rainy day by {secret}; second pass.\n")))
        chosen = [*forms, *forms][number % len(forms) :][: min(encodings, len(forms))]
        for place, content in enumerate(chosen):
            documents.append(f"docs/d{number}-{place}.txt")
            (folder / documents[-1]).write_bytes(content)
        times += len(chosen)
    for number, secret in enumerate(SECRETS[:8]):
        named = "".join(char if char.isalnum() else "_" for char in secret)
        documents.append(f"docs/{named}.txt")
        (folder / documents[-1]).write_bytes(b"nothing in here\n")
        text = chunk(b"tEXt", b"Artist\0" + secret.encode("latin-1", "replace"))
        (folder / f"photos/{named}.png").write_bytes(png(text))
        (folder / f"photos/p{number}.png").write_bytes(png(text))
        times += 3
    image = bytes(range(256))
    for number in range(6):
        content = b"-- read by " + SECRETS[number].encode() + b"\r\n" + listing(image)
        (folder / f"dumps/C{number}.log").write_bytes(content)
        rows.append(
            {
                "chip": f"C{number}",
                "reader": f"r{number}",
                "file": f"dumps/C{number}.log",
                "operator": READING_OPERATORS[number],
                "public": "true",
            }
        )
        times += 1
    for number, paragraph in enumerate(innocent()):
        documents.append(f"docs/innocent{number}.txt")
        (folder / documents[-1]).write_text(paragraph, "utf-8")
    (folder / "sheet.yaml").write_text(json.dumps(sheet(documents, rows)), "utf-8")
    return times + 6


def sheet(documents: list[str], rows: list[dict[str, str]]) -> dict[str, Any]:
    """A sheet with a planted value in each of its private fields."""
    serials, accession = MACHINE
    return {
        "machine": {"id": "m", "name": "M", "serial": serials, "accession": accession},
        "custodian": {"name": "The Loom Museum", "contact": CONTACT, "place": PLACE},
        "readers": {
            f"r{number}": {"kind": "home-built", "operator": operator, "serial": serial}
            for number, (operator, serial) in enumerate(zip(OPERATORS, READER_SERIALS, strict=True))
        },
        "boards": {
            f"b{number}": {"name": f"board {number}", "serial": one}
            for number, one in enumerate(BOARD_SERIALS)
        },
        "chips": [
            {
                "chip": f"C{number}",
                "organisation": "256x8",
                "board": "b0",
                "notes": CHIP_NOTES[number],
                "role": f"seen by {SECRETS[number * 7].upper()} in June",
            }
            for number in range(6)
        ],
        "readings": rows,
        "rights": {"statement": "CC0-1.0"},
        "release": {
            "allowed_by": "The Loom Museum",
            "ground": "decision",
            "documents": documents,
            "vouched_for": [name for name in documents if "innocent" not in name],
        },
    }


def leaks(raw: bytes, patterns: dict[bytes, str]) -> set[str]:
    """The values that bytes hold, packed streams in photographs opened."""
    pieces = [raw]
    if raw.startswith(b"\x89PNG"):
        at = 8
        while at + 8 <= len(raw):
            size, kind = struct.unpack(">I4s", raw[at : at + 8])
            if kind == b"IDAT":
                pieces.append(zlib.decompress(raw[at + 8 : at + 8 + size]))
            at += 12 + size
    return {secret for pattern, secret in patterns.items() for piece in pieces if pattern in piece}


@pytest.mark.drill
@pytest.mark.parametrize("encodings", [1, pytest.param(len(ENCODINGS), id="every-encoding")])
def test_no_planted_secret_is_in_the_bundle_or_its_zip(tmp_path: Path, encodings: int) -> None:
    assert len(set(SECRETS)) == 60
    times = planted(tmp_path / "m", encodings)
    assert times >= (90 if encodings == 1 else 500)
    packed = wellread("package", tmp_path / "m", "--into", tmp_path, "--json")
    assert packed.code == 0, packed.err
    ran = wellread("release", packed.document["bag"], "--into", tmp_path / "out", "--json")
    assert ran.code == 0, ran.err
    patterns = {
        one: secret for secret in SECRETS for way in WAYS for one in encoded(way(secret)) if len(one) > 4
    }
    bundle = Path(ran.document["bundle"])
    files = {
        path.relative_to(bundle).as_posix(): path.read_bytes() for path in bundle.rglob("*") if path.is_file()
    }
    with zipfile.ZipFile(ran.document["zip"]) as zipped:
        files |= {f"zip/{name}": zipped.read(name) for name in zipped.namelist()}
    whole = Path(ran.document["zip"]).read_bytes()
    found = {
        name: held
        for name, content in itertools.chain(files.items(), [("the zip", whole)])
        if (held := leaks(content, patterns) | leaks(name.encode(), patterns))
    }
    assert found == {}
    gone = [one["what"] for one in ran.document["withheld"] if "innocent" in one["what"]]
    assert len(gone) <= 2, gone
    assert sum("innocent" in name for name in files) >= 2 * 198
    assert not [name for name in files if "/docs/d" in name], "no document with a secret went out"
