"""A dump of one's own, compared in the public page: identified, differing in named bits, and sent nowhere."""

from __future__ import annotations

import hashlib
import random
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from pipeline.views.report import rebuilding
from pipeline.views.report.summary import GRADES
from tests.browser.test_report_page import BROKEN, OUTSIDE, SCHEMES, WIDTHS, Heard, opened
from tests.journey.cli import wellread

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Bundle:
    """A public bundle and its chips' images by id."""

    folder: Path

    @property
    def index(self) -> Path:
        return self.folder / "data" / "report" / "index.html"

    def image(self, chip: str) -> bytes:
        return self.path(chip, "bin").read_bytes()

    def path(self, chip: str, ending: str) -> Path:
        return next((self.folder / "data").glob(f"images*/*/{chip}.{ending}"))

    def page(self, chip: str) -> Path:
        return next((self.folder / "data/report/chips").rglob(f"{chip}.html"))


def released(project: Path, place: Path) -> Bundle:
    done = wellread("package", project, "--into", place, "--json")
    assert done.code == 0, done.err
    assert wellread("release", done.document["bag"]).code == 0
    return Bundle(Path(f"{done.document['bag']}-public"))


@pytest.fixture(scope="module")
def loom(tmp_path_factory: pytest.TempPathFactory) -> Bundle:
    return released(ROOT / "example_project", tmp_path_factory.mktemp("loom"))


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Bundle:
    """Forty-two chips, so that each has a page of its own: bytes, one of 4 bits, one of 16."""
    place = tmp_path_factory.mktemp("shelf")
    root = place / "shelf"
    (root / "dumps").mkdir(parents=True)
    rows = []
    for n in range(42):
        said = {0: "512x4", 1: "512x16"}.get(n, "2048x8")
        image = random.Random(n).randbytes({0: 512, 1: 1024}.get(n, 2048))
        image = bytes(one & 15 for one in image) if n == 0 else image
        for hand in ("p", "q"):
            (root / "dumps" / f"U{n}.{hand}.1.bin").write_bytes(image)
        rows.append(f"  - {{chip: U{n}, organisation: {said}}}")
    (root / "sheet.yaml").write_text(
        "machine: {id: shelf, name: Shelf}\nreaders: {p: {kind: device-programmer}, q: {kind: home-built}}\n"
        "rights: {statement: CC0-1.0, note: ours}\nrelease: {allowed_by: us, ground: decision}\n"
        "readings: [{file: U1.p.1.bin, byte_order: big}, {file: U1.q.1.bin, byte_order: big}]\nchips:\n"
        + "\n".join(rows)
    )
    return released(root, place)


def said(page: Page, *files: tuple[str, bytes]) -> list[str]:
    """What the page says of these files, chosen in its field."""
    before = [{"name": name, "mimeType": "application/octet-stream", "buffer": body} for name, body in files]
    page.locator("#compare input[type=file]").set_input_files(before)  # type: ignore[arg-type]
    page.wait_for_function(
        "n => document.querySelectorAll('.compared[data-done]').length === n", arg=len(files)
    )
    return [one.inner_text() for one in page.locator(".compared").all()]


def quiet(heard: Heard, path: Path) -> None:
    assert heard.said == []
    assert heard.requests == [path.as_uri()]


def flipped(image: bytes, *bits: tuple[int, int]) -> bytes:
    out = bytearray(image)
    for at, bit in bits:
        out[at] ^= 1 << bit
    return bytes(out)


def test_every_form_of_a_sound_dump_is_told_as_identical(chromium: Browser, loom: Bundle) -> None:
    image = loom.image("MEM-U1")
    text = "".join(f"{at:04X}: {image[at : at + 16].hex(' ')}\n" for at in range(0, len(image), 16))
    dump = "".join(
        f"{at:08x}  {image[at : at + 16].hex(' ')}  |{'.' * 16}|\n" for at in range(0, len(image), 16)
    )
    files = [
        ("a.bin", image),
        ("a.hex", loom.path("MEM-U1", "hex").read_bytes()),
        ("a.s19", loom.path("MEM-U1", "s19").read_bytes()),
        ("a.txt", text.encode()),
        ("b.txt", dump.encode()),
        ("c.txt", image.hex().encode()),
        ("d.txt", ", ".join(f"0x{one:02X}" for one in image).encode()),
        ("twice.bin", image * 2),
    ]
    with opened(chromium, loom.index) as (page, heard):
        for told in said(page, *files):
            assert "Identical to MEM-U1: all 2,048 words" in told, told
        assert "2 copies of it in one file" in page.locator(".compared").last.inner_text()
        quiet(heard, loom.index)


def test_a_dump_that_differs_is_told_by_word_line_and_bit(chromium: Browser, loom: Bundle) -> None:
    image = loom.image("MEM-U1")
    mine = flipped(image, (0x12, 3), (0x12, 0), (0x7FF, 3))
    with opened(chromium, loom.index) as (page, heard):
        (told,) = said(page, ("mine.bin", mine))
        assert "Differs from MEM-U1 in 3 bits of 2 words, of 2,048 words compared" in told
        assert re.search(r"D3: 2 bits \(", told)
        rows = page.locator(".compared tbody tr").all_inner_texts()
        assert [row.split("\t") for row in rows] == [
            ["0x012", f"{image[0x12]:02X}", f"{mine[0x12]:02X}", "D3, D0"],
            ["0x7FF", f"{image[0x7FF]:02X}", f"{mine[0x7FF]:02X}", "D3"],
        ]
        quiet(heard, loom.index)


def test_the_direction_of_each_bit_is_that_of_the_two_images(chromium: Browser, loom: Bundle) -> None:
    image = loom.image("MEM-U1")
    low = next(at for at, one in enumerate(image) if not one & 0x10)
    with opened(chromium, loom.index) as (page, _):
        (told,) = said(page, ("mine.bin", flipped(image, (low, 4))))
        assert "D4: 1 bit (1 read 1 in yours and 0 here)" in told


def test_a_chip_of_four_bits_is_known_in_every_way_that_readers_write_it(
    chromium: Browser, shelf: Bundle
) -> None:
    image = shelf.image("U0")
    assert max(image) < 16
    pairs = list(zip(image[::2], image[1::2], strict=True))
    files = [
        ("low.bin", image),
        ("high.bin", bytes(one | 0xF0 for one in image)),
        ("first.bin", bytes(a << 4 | b for a, b in pairs)),
        ("second.bin", bytes(b << 4 | a for a, b in pairs)),
        ("nibbles.txt", " ".join(f"{one:X}" for one in image).encode()),
    ]
    for path in (shelf.index, shelf.page("U0")):
        with opened(chromium, path) as (page, heard):
            for told in said(page, *files):
                assert "Identical to U0: all 512 words" in told, told
            quiet(heard, path)


def test_hex_text_with_a_column_of_characters_or_addresses_of_words_is_read_as_it_stands(
    chromium: Browser, shelf: Bundle
) -> None:
    image, wide = shelf.image("U4"), shelf.image("U1")
    column = "".join(f"{at:04X}  {image[at : at + 8].hex(' ')}  AB CD BEEF\n" for at in range(0, 2048, 8))
    words = "".join(
        f"{at:04X}: {' '.join(wide[2 * k : 2 * k + 2].hex() for k in range(at, at + 8))}\n"
        for at in range(0, 512, 8)
    )
    with opened(chromium, shelf.index) as (page, _):
        one, two = said(page, ("column.txt", column.encode()), ("words.txt", words.encode()))
        assert "Identical to U4" in one
        assert "Identical to U1" in two


def test_wide_words_in_either_order_of_bytes_are_known(chromium: Browser, shelf: Bundle) -> None:
    image = shelf.image("U1")
    swapped = bytes(image[at ^ 1] for at in range(len(image)))
    with opened(chromium, shelf.page("U1")) as (page, _):
        one, two, three = said(page, ("b.bin", image), ("l.bin", swapped), ("d.bin", flipped(image, (7, 2))))
        assert "Identical to U1" in one
        assert "the bytes of each word exchanged" in two
        assert "Differs from U1 in 1 bit of 1 word" in three
        assert page.locator(".compared tbody th").inner_text() == "0x003"


def test_the_first_page_of_a_large_set_names_the_chip_and_its_page_the_bits(
    chromium: Browser, shelf: Bundle
) -> None:
    mine = flipped(shelf.image("U17"), (0x100, 6))
    with opened(chromium, shelf.index) as (page, heard):
        (told,) = said(page, ("mine.bin", mine))
        assert "Nearly U17: 7 of 8 parts of the image are the same." in told
        assert page.locator("[data-image]").count() == 0
        quiet(heard, shelf.index)
        page.locator(".compared a").click()
        (told,) = said(page, ("mine.bin", mine))
        assert "Differs from U17 in 1 bit of 1 word" in told
        (other,) = said(page, ("other.bin", shelf.image("U18")))
        assert "another chip or another revision" in other or "No comparison" in other


def test_extended_addresses_of_intel_hex_are_followed(chromium: Browser, shelf: Bundle) -> None:
    image = shelf.image("U5")

    def record(kind: int, address: int, data: bytes) -> str:
        body = bytes([len(data), address >> 8 & 255, address & 255, kind]) + data
        return f":{(body + bytes([-sum(body) & 255])).hex().upper()}\n"

    rows = [(at, image[at : at + 16]) for at in range(0, len(image), 16)]
    end = record(1, 0, b"")
    linear = record(4, 0, b"\x00\x12") + "".join(record(0, at, row) for at, row in rows) + end
    segment = record(2, 0, b"\xf0\x00") + "".join(record(0, 0x8000 + at, row) for at, row in rows) + end
    wrapped = (
        record(2, 0, b"\x10\x00") + "".join(record(0, (0xFC00 + at) & 0xFFFF, r) for at, r in rows) + end
    )
    half = "".join(record(0, at, row) for at, row in rows[64:]) + end
    with opened(chromium, shelf.page("U5")) as (page, heard):
        told = said(
            page,
            ("l.hex", linear.encode()),
            ("s.hex", segment.encode()),
            ("w.hex", wrapped.encode()),
            ("h.hex", half.encode()),
        )
        assert "2,048 bytes from address 0x120000" in told[0]
        assert "2,048 bytes from address 0xF8000" in told[1]
        assert all("Identical to U5" in one for one in told[:2])
        # A segment wraps at 64 KiB (Intel's Hexadecimal Object File Format Specification): two islands.
        assert "Identical" not in told[2]
        assert "The same as U5, as far as your file goes: 1,024 of its 2,048 words" in told[3]
        quiet(heard, shelf.page("U5"))


def test_malformed_files_are_refused_with_their_line_and_nothing_breaks(
    chromium: Browser, shelf: Bundle
) -> None:
    files = [
        ("sum.hex", b":0100000001FF\n:00000001FF\n"),
        ("cut.hex", b":0100000001FE\n"),
        ("short.hex", b":0500000001FA\n:00000001FF\n"),
        ("odd.hex", b":010000000\n"),
        ("kind.hex", b":0100000901F5\n:00000001FF\n"),
        ("sum.s19", b"S1040000AA00\n"),
        ("low.s19", b"S3040000AA51\n"),
        ("prose.txt", b"this is a letter, no dump\n"),
        ("mixed.txt", b"0000: 01 02\n03 04\n"),
        ("twice.txt", b"0000: 01 02\n0001: 05 06\n"),
        ("far.hex", b":020000040000FA\n:0100000001FE\n:02000004FFFFFC\n:0100000001FE\n:00000001FF\n"),
        ("empty.bin", b""),
        ("big.bin", random.Random(1).randbytes(300_000)),
    ]
    with opened(chromium, shelf.index) as (page, heard):
        told = dict(zip((name for name, _ in files), said(page, *files), strict=True))
        for name, why in (
            ("sum.hex", "line 1: its checksum is wrong"),
            ("cut.hex", "does not end with an end record"),
            ("short.hex", "line 1: its length does not agree with its first byte"),
            ("odd.hex", "line 1: not pairs of hexadecimal digits"),
            ("kind.hex", "line 1: no record type 9"),
            ("sum.s19", "line 1: its checksum is wrong"),
            ("low.s19", "line 1: "),
            ("prose.txt", "“this” is no hexadecimal number"),
            ("mixed.txt", "some of its lines have an address and some have none"),
            ("twice.txt", "line 2: 0x1 was given another byte before"),
            ("far.hex", "span more than 64 MiB"),
            ("empty.bin", "The file is empty"),
            ("big.bin", "the largest here holds 2,048 bytes"),
        ):
            assert why in told[name], (name, told[name])
            assert "Identical" not in told[name]
        quiet(heard, shelf.index)


def test_the_pages_own_sha_256_is_that_of_the_standard_library(chromium: Browser, loom: Bundle) -> None:
    # Source: FIPS 180-4 by way of hashlib; 55, 56, 63 and 64 bytes are where the padding turns.
    rng = random.Random(180_4)
    lengths = [1, 3, 54, 55, 56, 57, 63, 64, 65, 119, 120, 127, 128, 129, 65_536, 262_143]
    lengths += [rng.randrange(1, 5000) for _ in range(64)]
    with opened(chromium, loom.index) as (page, heard):
        for start in range(0, len(lengths), 20):
            bodies = [b"\xff" + rng.randbytes(length - 1) for length in lengths[start : start + 20]]
            said(page, *((f"{at}.bin", body) for at, body in enumerate(bodies)))
            shown = page.locator(".compared code").all_inner_texts()
            assert shown == [hashlib.sha256(body).hexdigest() for body in bodies]
        quiet(heard, loom.index)


def test_a_file_dropped_anywhere_on_the_page_is_compared(chromium: Browser, loom: Bundle) -> None:
    with opened(chromium, loom.index) as (page, heard):
        carried = page.evaluate_handle(
            """bytes => { const all = new DataTransfer();
            all.items.add(new File([new Uint8Array(bytes)], 'dropped.bin')); return all; }""",
            list(loom.image("SEQ-U7")),
        )
        page.dispatch_event("footer", "dragover", {"dataTransfer": carried})
        page.dispatch_event("footer", "drop", {"dataTransfer": carried})
        page.wait_for_selector(".compared[data-done]")
        assert "Identical to SEQ-U7" in page.locator(".compared").inner_text()
        assert page.url == loom.index.as_uri()
        quiet(heard, loom.index)


def test_on_a_phone_the_comparison_fits_and_answers_a_tap(chromium: Browser, loom: Bundle) -> None:
    mine = flipped(loom.image("MEM-U2"), *((at, at % 8) for at in range(0, 2000, 40)))
    with opened(chromium, loom.index, 360, is_mobile=True, has_touch=True) as (page, heard):
        with page.expect_file_chooser() as chosen:
            page.locator("#compare input[type=file]").tap()
        chosen.value.set_files({"name": "m.bin", "mimeType": "", "buffer": mine})
        page.wait_for_selector(".compared[data-done]")
        assert "Differs from MEM-U2 in 50 bits of 50 words" in page.locator(".compared").inner_text()
        assert "And 18 more words." in page.locator(".compared").inner_text()
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        assert page.evaluate(OUTSIDE) == []
        quiet(heard, loom.index)


def pages(loom: Bundle, shelf: Bundle) -> Iterator[Path]:
    yield from (loom.index, shelf.index, shelf.page("U3"))


def test_axe_finds_no_violation_in_a_public_page_that_has_answered(
    chromium: Browser, loom: Bundle, shelf: Bundle
) -> None:
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="no axe-core: bash .ci/browser.sh"
    )
    for path, width, scheme in zip(pages(loom, shelf), (*WIDTHS, 360), (*SCHEMES, "dark"), strict=True):
        with opened(chromium, path, width, scheme) as (page, heard):
            image = loom.image("MEM-U1") if path == loom.index else shelf.image("U3")
            said(page, ("a.bin", image), ("b.bin", flipped(image, (5, 1))))
            found = axe.Axe().run(page).response
            told = [(one["id"], [n["html"][:200] for n in one["nodes"][:3]]) for one in found["violations"]]
            assert told == []
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            quiet(heard, path)


def test_the_public_page_opens_with_files_that_are_there_and_no_bench_list(
    chromium: Browser, loom: Bundle
) -> None:
    with opened(chromium, loom.index) as (page, _):
        titles = page.locator("main h2").all_inner_texts()
        assert titles[:4] == [
            "Download and burn",
            "What is withheld, and why",
            "How to verify",
            "Compare a dump of your own",
        ]
        assert page.locator("#todo, .begin, .trip").count() == 0
        links = page.eval_on_selector_all(
            ".rebuild table a[href^='../']", "all => all.map(a => a.getAttribute('href'))"
        )
        assert len(links) == 3 * 22
        assert all((loom.index.parent / link).is_file() for link in links)
        assert "chips.notes" in page.locator(".rebuild ul").all_inner_texts()[-1]
        assert "PAT-U5" not in page.locator(".rebuild table").inner_text()


def test_without_a_script_the_page_says_where_to_look_the_digest_up(chromium: Browser, loom: Bundle) -> None:
    with opened(chromium, loom.index, java_script_enabled=False) as (page, _):
        assert "checksums-matching.txt" in page.locator("#compare .unscripted").inner_text()
    with opened(chromium, loom.index) as (page, _):
        assert page.locator(".unscripted").count() == 0


def test_an_images_parts_are_cut_as_the_script_cuts_them() -> None:
    from pipeline.views.report.rebuilding import parts_of

    image = random.Random(3).randbytes(1001)
    sums = parts_of(image)
    assert len({sums[at : at + 2] for at in range(0, 16, 2)}) == 8
    assert parts_of(b"\xff" * 56 + b"\x00\x01" * 4)[:14] == bytes(14)
    assert parts_of(b"\xff" * 56 + b"\x00\x01" * 4)[14:] != bytes(2)


def test_the_script_knows_the_grades_in_the_order_in_which_the_page_counts_them() -> None:
    script = Path(rebuilding.__file__).with_name("templates").joinpath("compare.js").read_text("utf-8")
    assert f'grade:"{" ".join(GRADES)}".split(" ")' in script


def test_a_phone_breaks_no_word_of_what_to_download_and_burn(chromium: Browser, loom: Bundle) -> None:
    with opened(chromium, loom.index, 360) as (page, _):
        looked, broken = page.evaluate(BROKEN)
        assert looked > 1000
        assert broken == []
        files = page.locator('[aria-label="Images to download"] td a').all()
        assert len(files) >= 60
        for one in files[:6]:
            box = one.bounding_box()
            assert box is not None
            assert box["x"] + box["width"] <= 360, "the files are seen without scrolling sideways"
