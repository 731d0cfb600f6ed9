"""Private values are found however they were written, and what may go out goes out.

The values are invented. How each is written in the texts is done here by hand and by the standard library's
codecs, with none of the program's own folding.
"""

from __future__ import annotations

import io
import random
import struct
import unicodedata
import zipfile
import zlib
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import FormatError
from pipeline.publish.documents import is_text, seen_in
from pipeline.publish.photographs import stripped
from pipeline.publish.private_values import PrivateValues
from tests.journey.cli import wellread
from tests.kit.example_bags import bag_of
from tests.kit.examples import drilled_but

ROOT = Path(__file__).parents[2]
ENCODINGS = (
    "utf-8",
    "utf-8-sig",
    "utf-16",
    "utf-16-le",
    "utf-16-be",
    "utf-32",
    "utf-32-le",
    "utf-32-be",
    "latin-1",
    "iso8859-15",
    "cp1252",
    "cp437",
    "cp850",
    "cp1250",
    "mac-roman",
)
GIVEN = ("Tamsin", "Jörg", "Åsa", "Zoë", "Ilsabet", "Renée", "Łucja", "Brannick")
FAMILY = (
    "Vrooke",
    "Müllerhof",
    "Quornström",
    "Fenwhistle",
    "Kværndal",
    "Oswestering",
    "Straßgräber",
    "Trevanion",
)


def contact(number: int) -> str:
    given, family = GIVEN[number % 8], FAMILY[(number * 3) % 8]
    phone = f"+44 20 7946 0{number:03d}"
    return f"{given} {family}, {phone}, {given.lower()}.{number}@museum.example"


def values() -> list[tuple[str, str]]:
    """Sixty: names, contacts, places, serial numbers, accessions."""
    people = [("readers.operator", f"{GIVEN[n % 8]} {FAMILY[(n * 5 + 1) % 8]}") for n in range(8)]
    contacts = [("custodian.contact", contact(n)) for n in range(16)]
    places = [("custodian.place", f"Tenter Lane {n} store, shelf {n}-C") for n in range(10, 22)]
    serials = [("machine.serial", f"CW{n}-04{n}-Q") for n in range(70, 84)]
    accessions = [("machine.accession", f"acc. 19{n}/{n * 7} (gift)") for n in range(60, 70)]
    return [*people, *contacts, *places, *serials, *accessions]


def written(label: str, value: str) -> list[str]:
    """How people write it: as it is, in capitals, small letters, decomposed, with other blanks, in parts."""
    ways = [
        value,
        value.upper(),
        value.lower(),
        unicodedata.normalize("NFD", value),
        unicodedata.normalize("NFC", value),
        value.replace(" ", "\u00a0"),
        value.replace(" ", "\n    "),
        value.replace(" ", "_"),
    ]
    if label == "readers.operator":
        given, family = value.split(" ")
        ways += [f"{family}, {given}", f"{family} {given}", f"{family.upper()}, {given}"]
    if label == "custodian.contact":
        name, phone, address = value.split(", ")
        given, family = name.split(" ")
        digits = phone.replace(" ", "")
        ways += [name, address, address.upper(), phone, digits, "0" + digits[3:], phone.replace(" ", "-")]
        ways += [f"{family}, {given}", f"tel. {phone} beside an address"]
    return ways


def test_sixty_values_are_found_in_every_encoding_that_can_hold_them() -> None:
    secrets = values()
    assert len(secrets) == 60
    look = PrivateValues(secrets)
    tried = 0
    for label, value in secrets:
        for way in dict.fromkeys(written(label, value)):
            for encoding in ENCODINGS:
                text = f"# read on a rainy day\nby: {way}; second pass\n"
                try:
                    raw = text.encode(encoding)
                except UnicodeEncodeError:
                    continue
                tried += 1
                assert look.in_bytes(raw), (way, encoding)
                assert look.in_bytes(b"\x00\x01" + raw), (way, encoding, "at another place")
    assert tried > 5000


def test_values_that_are_escaped_are_found() -> None:
    look = PrivateValues([("readers.operator", "Jörg Müllerhof")])
    for text in ("J&ouml;rg M&#252;llerhof", "J\\u00f6rg M\\u00fcllerhof", "J&#xF6;rg&nbsp;M&uuml;llerhof"):
        assert look.in_bytes(text.encode("ascii")) == "readers.operator"


def test_the_name_in_a_mail_address_is_found_without_its_host_and_a_single_word_is_not() -> None:
    look = PrivateValues([("custodian.contact", "mirte.hollebrand@woven.example, museum@woven.example")])
    for text in ("told by Mirte Hollebrand", "ask mirte.hollebrand", "MIRTE_HOLLEBRAND.log"):
        assert look.in_text(text, only_telling=True) == "custodian.contact"
    assert not look.in_text("the museum of woven things; mirte alone")


def innocent() -> list[str]:
    """Two hundred texts that nobody wrote with these values in mind.

    This project's own pages, by paragraphs.
    """
    pages = [
        path.read_text("utf-8") for path in sorted([*ROOT.glob("*.md"), *ROOT.rglob("pipeline/**/*.py")])
    ]
    paragraphs = [part for page in pages for part in page.split("\n\n") if len(part) > 150]
    return random.Random(1).sample(paragraphs, 200)


def test_of_two_hundred_innocent_texts_at_most_two_are_withheld() -> None:
    look = PrivateValues(values())
    held = [text for text in innocent() if look.in_bytes(text.encode())]
    assert len(held) <= 2, held


@pytest.mark.parametrize("seed", drilled_but(range(4), 0))
def test_logs_and_images_full_of_digits_are_no_telephone_numbers(seed: int) -> None:
    look = PrivateValues(values())
    dice = random.Random(seed)
    content = dice.randbytes(65536)
    log = "\n".join(
        f"{at:04X}: " + " ".join(f"{byte:02X}" for byte in content[at : at + 16])
        for at in range(0, 65536, 16)
    )
    decimals = "".join(dice.choice("0123456789 ") for _ in range(200_000))
    assert [look.in_bytes(content), look.in_text(log), look.in_text(decimals)] == ["", "", ""]


def test_short_parts_and_public_names_are_not_looked_for() -> None:
    look = PrivateValues(
        [("custodian.contact", "Ann, The Loom Museum, Mill St")], public=["The Loom Museum of Nordland"]
    )
    assert look.in_text("Ann read U1 at the Loom Museum") == ""
    assert look.in_text("in Mill St, behind the lock") == "custodian.contact"


# --- documents --------------------------------------------------------------------------------------------


def docx(text: str) -> bytes:
    """A word processor's file, its text cut into runs in the middle of words as such programs do."""
    runs = "".join(f"<w:r><w:t>{text[at : at + 3]}</w:t></w:r>" for at in range(0, len(text), 3))
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("[Content_Types].xml", "<Types/>")
        packed.writestr("word/document.xml", f"<w:document><w:p>{runs}</w:p></w:document>")
    return held.getvalue()


def pdf(text: str) -> bytes:
    """As much of a PDF as holds a packed page."""
    page = zlib.compress(f"BT /F1 12 Tf ({text}) Tj ET".encode())
    return b"%PDF-1.4\n1 0 obj <</Filter /FlateDecode>>\nstream\n" + page + b"\nendstream\nendobj\n%%EOF\n"


@pytest.mark.parametrize("make", [docx, pdf])
def test_a_value_inside_a_packed_document_is_seen_and_the_document_is_no_text(make: Any) -> None:
    look = PrivateValues(values())
    content = make(f"Read by {GIVEN[0]} {FAMILY[1]} in June")
    assert not is_text(content)
    assert any(look.in_bytes(piece) for piece in seen_in(content))
    assert not any(look.in_bytes(piece) for piece in seen_in(make("Read by nobody in June")))


@pytest.mark.parametrize("encoding", ENCODINGS)
def test_a_text_is_a_text(encoding: str) -> None:
    marked = encoding == "utf-16" or not encoding.startswith(("utf-16", "utf-32"))
    assert (
        is_text("The board came from a loom.\r\n\tÜber 40 Jahre alt.\n".encode(encoding, "replace")) == marked
    )


def test_documents_that_cannot_be_read_stay_behind_until_somebody_vouches_for_them(tmp_path: Path) -> None:
    named = (
        "  allowed_by: Ilsabet Quorne for␟  documents: [docs/a.docx, docs/b.docx, docs/c.docx, docs/d.txt]\n"
        "  vouched_for: [docs/b.docx, docs/c.docx]\n  allowed_by: Ilsabet Quorne for"
    )
    project = tmp_path / "project"
    bag_of(project, tmp_path / "first", named=named)
    (project / "docs/a.docx").write_bytes(docx("nothing private"))
    (project / "docs/b.docx").write_bytes(docx("nothing private"))
    (project / "docs/c.docx").write_bytes(docx("kept in the TENTER LANE STORE, shelf 14-c"))
    (project / "docs/d.txt").write_bytes("STORE: tenter-lane store, Shelf 14-C".encode("utf-16-le"))
    bag = Path(wellread("package", project, "--into", tmp_path / "second", "--json").document["bag"])
    done = wellread("release", bag, "--into", tmp_path / "out", "--json").document
    assert [path for path in done["files"] if path.startswith("data/docs/")] == ["data/docs/b.docx"]
    why = {one["what"]: one["why"] for one in done["withheld"] if one["kind"] == "document"}
    assert "not plain text" in why["data/docs/a.docx"]
    assert "custodian.place" in why["data/docs/c.docx"]
    assert "data/docs/d.txt" in why


# --- photographs ------------------------------------------------------------------------------------------


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(*more: bytes, dots: bytes = zlib.compress(b"\0\0"), header: bytes = b"") -> bytes:
    head = header or struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + b"".join(more)
        + chunk(b"IDAT", dots)
        + chunk(b"IEND", b"")
    )


SECRET = b"Tamsin Vrooke"


@pytest.mark.parametrize(
    "content",
    [
        png(chunk(b"gAMA", struct.pack(">I", 45455) + SECRET)),
        png(chunk(b"pHYs", b"\0" * 9 + SECRET)),
        png(chunk(b"sRGB", b"\0" + SECRET)),
        png(chunk(b"bKGD", SECRET)),
        png(chunk(b"PLTE", SECRET * 3 + b".")),
        png(chunk(b"fcTL", SECRET * 2 + b".")),
        png(dots=zlib.compress(b"\0\0") + SECRET),
        png(dots=zlib.compress(b"\0\0" + SECRET)),
        png(header=struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0) + SECRET),
        png()[:-12] + chunk(b"IEND", SECRET),
    ],
)
def test_nothing_hides_behind_what_a_png_needs(content: bytes) -> None:
    with pytest.raises(FormatError):
        stripped(content)


def jpeg(*segments: tuple[int, bytes]) -> bytes:
    """A JPEG from Pillow, with segments put in before its dots."""
    from PIL import Image

    held = io.BytesIO()
    Image.new("RGB", (16, 16), (200, 100, 50)).save(held, "JPEG")
    raw = held.getvalue()
    at = raw.index(b"\xff\xda")
    put = b"".join(struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body for marker, body in segments)
    return raw[:at] + put + raw[at:]


@pytest.mark.parametrize(
    "segment",
    [
        (0xDB, b"\0" + bytes(range(1, 65)) + SECRET),
        (0xC4, b"\x03" + b"\0" * 16 + SECRET),
        (0xDD, b"\0\0" + SECRET),
        (0xDC, b"\0\x10" + SECRET),
    ],
)
def test_nothing_hides_behind_what_a_jpeg_needs(segment: tuple[int, bytes]) -> None:
    try:
        left = stripped(jpeg(segment))
    except FormatError:
        return
    assert SECRET not in left


@pytest.mark.parametrize("marker", [*range(0x02, 0xC0, 17), 0xC8, 0xDE, 0xDF, *range(0xE0, 0xFE)])
def test_segments_that_a_decoder_does_not_need_are_left_out(marker: int) -> None:
    from PIL import Image

    content = jpeg((marker, b"Adobe\0" + SECRET))
    left = stripped(content)
    assert SECRET not in left
    with Image.open(io.BytesIO(left)) as one, Image.open(io.BytesIO(jpeg())) as other:
        assert one.tobytes() == other.tobytes()


def test_names_of_photographs_and_spaces_that_hold_a_value_stay_behind(tmp_path: Path) -> None:
    project = tmp_path / "project"
    bag_of(project, tmp_path / "first")
    (project / "photos/tenter_lane_store").mkdir()
    (project / "photos/tenter_lane_store/shelf-14-C.png").write_bytes(png())
    (project / "photos/TENTER LANE STORE, SHELF 14-c.png").write_bytes(png())
    bag = Path(wellread("package", project, "--into", tmp_path / "second", "--json").document["bag"])
    ran = wellread("release", bag, "--into", tmp_path / "out", "--json")
    assert ran.code == 0, ran.err
    with zipfile.ZipFile(ran.document["zip"]) as packed:
        held = [name.lower() for name in packed.namelist()] + [
            packed.read(name).decode("latin-1").lower()
            for name in packed.namelist()
            if not name.endswith(".jpg")
        ]
    assert not [text for text in held if "tenter" in text]
