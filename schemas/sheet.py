"""The sheet: what a person writes about a machine, its readers, its chips and how they were read.

Everything a person does not say stays not said (None): no default of this schema states a fact about a chip.
Scalars arrive as text, so that label `0117`, date code `7912` and revision `1E3` survive as written.
"""

from __future__ import annotations

import re
from datetime import date, datetime
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BeforeValidator,
    Field,
    PlainSerializer,
    StringConstraints,
    WithJsonSchema,
    model_validator,
)

from schemas.base import HumanInput, withheld
from schemas.glossary import GLOSSARY
from schemas.meant import one_meant
from schemas.names import ID_PATTERN, Organisation, as_id
from schemas.part import Part
from schemas.wiring import Lines, Wiring

_EDTF = re.compile(
    r"^(?:(?:\d{4}(?:-(?:\d{2}(?:-(?:\d{2}|XX))?|XX(?:-XX)?))?|\d{3}X|\d{2}XX)[?~%]?"
    r"|\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(?:Z|[+-]\d{2}:\d{2})?"
    r"|(?:\d{4}(?:-\d{2}(?:-\d{2})?)?[?~%]?|\.\.)?/(?:\d{4}(?:-\d{2}(?:-\d{2})?)?[?~%]?|\.\.)?)$",
    re.ASCII,
)
_DIGIT = re.compile("[0-9]")
_DATE_PART = re.compile(r"(\d{4})-(\d{2})(?:-(\d{2}))?")
_BIT_FIELD = re.compile(r"^\s*(\d{1,2})\s*:\s*(\d{1,2})\s*$", re.ASCII)
_NUMBER = re.compile(r"^\s*(?:0[xX]([0-9A-Fa-f]{1,10})|([0-9]{1,12}))\s*$", re.ASCII)
_RANGE = re.compile(r"^\s*(\S+?)\s*-\s*(\S+?)\s*$")
_RIGHTS_STATEMENT = re.compile(r"^https?://rightsstatements\.org/(?:vocab|page)/([A-Za-z-]+)/1\.0/?$")
_ORCID = re.compile(r"^(?:https?://orcid\.org/)?((?:\d{4}-){3}\d{3}[\dXx])/?$", re.ASCII)
_ROR = re.compile(r"^(?:https?://ror\.org/)?(0[a-hj-km-np-tv-zA-HJ-KM-NP-TV-Z0-9]{6}\d{2})/?$", re.ASCII)
_CROCKFORD = "0123456789abcdefghjkmnpqrstvwxyz"
_WEBSITE = re.compile(r"https?://[A-Za-z0-9.-]+(?::\d{1,5})?(?:[/?#][!#-;=?-\[\]_a-z~]*)?", re.ASCII)
_CREATIVE_COMMONS = re.compile(
    r"^https?://creativecommons\.org/(?:licenses/(?:by|by-sa|by-nd|by-nc|by-nc-sa|by-nc-nd)/[1-4]\.0"
    r"|publicdomain/(?:zero|mark)/1\.0)/?(?:deed\.[a-z]{2}|legalcode)?$"
)
RIGHTS_STATEMENTS = (
    "InC",
    "InC-OW-EU",
    "InC-EDU",
    "InC-NC",
    "InC-RUU",
    "NoC-CR",
    "NoC-NC",
    "NoC-OKLR",
    "NoC-US",
    "CNE",
    "UND",
    "NKC",
)
"""Identifiers of the twelve statements. Source: RightsStatements.org, vocabulary 1.0."""
OrganisationField = Annotated[
    Organisation,
    BeforeValidator(Organisation.parse),
    PlainSerializer(str, return_type=str),
    WithJsonSchema({"type": "string", "pattern": r"^\d+[kKmM]?\s*[x×X]\s*\d+$", "examples": ["2048x8"]}),
]
IdField = Annotated[str, BeforeValidator(as_id), WithJsonSchema({"type": "string", "pattern": ID_PATTERN})]


def as_edtf(value: object) -> str:
    """A date as far as it is known, in EDTF: `1978`, `2024-05`, `2024-05-03`, `198X`, `2024~`, `2021/2023`.

    Source: Extended Date/Time Format, Library of Congress (ISO 8601-2), the forms of level 0 and 1 named
    above.
    """
    text = value.strip() if isinstance(value, str) else ""
    if not _EDTF.fullmatch(text) or not _DIGIT.search(text):
        timed = "; a time has seconds" if "T" in text else ""
        raise ValueError(
            f"a date as far as known, such as 2024-05-03, 2024-05, 1978, 198X or 2024~ (EDTF){timed}"
        )
    try:
        for found in _DATE_PART.finditer(text):
            date(int(found[1]), int(found[2]), int(found[3] or 1))
        if "T" in text:
            datetime.fromisoformat(text)
    except ValueError:
        raise ValueError("a date that exists, such as 2024-05-03 (EDTF)") from None
    return text


def as_rights(value: object) -> str:
    """A RightsStatements.org URI, a Creative Commons URI or an SPDX licence expression.

    Spelled canonically.
    """
    if not isinstance(value, str) or not value.strip():
        raise ValueError("a RightsStatements.org URI, a Creative Commons URI or an SPDX identifier")
    text = value.strip()
    found = _RIGHTS_STATEMENT.fullmatch(text)
    if found:
        known = {name.casefold(): name for name in RIGHTS_STATEMENTS}
        if found[1].casefold() not in known:
            raise ValueError(f"one of the RightsStatements.org statements: {', '.join(RIGHTS_STATEMENTS)}")
        return f"http://rightsstatements.org/vocab/{known[found[1].casefold()]}/1.0/"
    if _CREATIVE_COMMONS.fullmatch(text):
        return text
    if "://" not in text:
        from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression

        try:
            return str(canonicalize_license_expression(text))
        except InvalidLicenseExpression:
            pass
    raise ValueError(
        "a RightsStatements.org URI such as http://rightsstatements.org/vocab/CNE/1.0/, "
        "a Creative Commons URI, or an SPDX identifier such as CC0-1.0"
    )


def as_number(value: object) -> int:
    """A count or an address: decimal, or hexadecimal with `0x`."""
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    found = _NUMBER.fullmatch(value) if isinstance(value, str) else None
    if found is None:
        raise ValueError("a whole number, decimal or hexadecimal with 0x")
    return int(found[1], 16) if found[1] else int(found[2])


def as_code(value: object) -> str:
    """The code of a finding.

    Raises:
        ValueError: There is none such; the nearest is named.
    """
    codes = sorted(name for name, one in GLOSSARY.items() if one.kind == "finding")
    if value in codes:
        return str(value)
    near = one_meant(value, codes)
    which = f"such as {near}" if near else "as `wellread explain` lists them"
    raise ValueError(f"the code of a finding, {which}")


def as_orcid(value: object) -> str:
    """An ORCID iD, with its check character, as the address that it is shown by.

    Source: ISO 7064 MOD 11-2, as ORCID's "Structure of the ORCID Identifier" describes it (from memory); its
    published example 0000-0002-1825-0097 is in the tests.
    """
    found = _ORCID.fullmatch(value.strip()) if isinstance(value, str) else None
    if found is None:
        raise ValueError("an ORCID iD, such as https://orcid.org/0000-0002-1825-0097")
    digits = found[1].replace("-", "").upper()
    total = 0
    for digit in digits[:15]:
        total = (total + int(digit)) * 2
    check = (12 - total % 11) % 11
    if digits[15] != ("X" if check == 10 else str(check)):
        raise ValueError("an ORCID iD whose last character fits: one digit is wrong")
    return f"https://orcid.org/{found[1].upper()}"


def as_ror(value: object) -> str:
    """The Research Organization Registry's id of an organisation, as the address that it is.

    Source: the registry's own program (ror-api, command `generaterorid`): 0, six characters of Crockford's
    base 32, two digits of ISO/IEC 7064 MOD 97-10 over the number that they write.
    """
    found = _ROR.fullmatch(value.strip()) if isinstance(value, str) else None
    if found is None:
        raise ValueError("a ROR id, such as https://ror.org/05dxps055")
    written = found[1].lower()
    number = 0
    for digit in written[:7]:
        number = number * 32 + _CROCKFORD.index(digit)
    if int(written[7:]) != 98 - number * 100 % 97:
        raise ValueError("a ROR id whose last two digits fit: one character is wrong")
    return f"https://ror.org/{written}"


def as_website(value: object) -> str:
    """The address of a page on the web, with nobody's name or password in it.

    Source: RFC 3986, appendix A, for what an address is written in.
    """
    text = value.strip() if isinstance(value, str) else ""
    if not _WEBSITE.fullmatch(text):
        raise ValueError("the address of a page, such as https://museum.example/contact")
    return text


def as_text(value: object) -> str:
    """Text as written; numbers of other origin are refused rather than printed back."""
    if not isinstance(value, str):
        raise ValueError("text")  # noqa: TRY004 - pydantic turns a ValueError into a located problem
    return value


Text = Annotated[str, BeforeValidator(as_text), StringConstraints(max_length=20_000)]
Edtf = Annotated[
    str, BeforeValidator(as_edtf), WithJsonSchema({"type": "string", "examples": ["2024-05-03", "198X"]})
]
Number = Annotated[
    int, BeforeValidator(as_number), Field(ge=0), WithJsonSchema({"type": ["string", "integer"]})
]
RightsUri = Annotated[str, BeforeValidator(as_rights), WithJsonSchema({"type": "string"})]
Orcid = Annotated[str, BeforeValidator(as_orcid), WithJsonSchema({"type": "string"})]
Ror = Annotated[str, BeforeValidator(as_ror), WithJsonSchema({"type": "string"})]
Website = Annotated[str, BeforeValidator(as_website), WithJsonSchema({"type": "string"})]
ByteOrder = Literal["big", "little"]
AddressRadix = Literal["hex", "octal", "decimal"]


class Machine(HumanInput):
    """The machine whose chips these are."""

    id: IdField = Field(description="Short name; the bag is called after it, such as loom-78")
    name: Text = Field(description="What people call it")
    maker: Text | None = None
    model: Text | None = None
    serial: Text | None = Field(default=None, json_schema_extra=withheld())
    year: Edtf | None = Field(default=None, description="When it was made, as far as known")
    inventory: Text | None = Field(default=None, description="The custodian's own number for it")
    accession: Text | None = Field(
        default=None,
        description="Under which accession it came to the custodian",
        json_schema_extra=withheld(),
    )
    description: Text | None = None


class Custodian(HumanInput):
    """Who keeps the machine and answers for the package. Contact and place stay out of public bundles."""

    name: Text | None = None
    organisation: Text | None = None
    orcid: Orcid | None = Field(default=None, description="Of the person named")
    ror: Ror | None = Field(default=None, description="Of the organisation named")
    website: Website | None = Field(
        default=None, description="Where the public reaches the custodian; it goes into the public bundle"
    )
    contact: Text | None = Field(default=None, json_schema_extra=withheld())
    place: Text | None = Field(default=None, json_schema_extra=withheld())


class Rights(HumanInput):
    """What is known about the rights in the firmware: a label, not a licence."""

    statement: RightsUri = Field(
        description="RightsStatements.org URI, Creative Commons URI or SPDX identifier"
    )
    note: Text | None = None
    holder: Text | None = None
    jurisdiction: Text | None = Field(
        default=None, description="ISO 3166 code of the country whose law was looked at"
    )


class ReleaseWord(HumanInput):
    """On whose word, and on what ground, the payload may go out in a public bundle."""

    allowed_by: Text
    ground: Text
    documents: tuple[Text, ...] | None = Field(
        default=None, description="Files of docs/ that may go out as they are; the others stay behind"
    )
    vouched_for: tuple[Text, ...] | None = Field(
        default=None,
        description="Those of the documents that no program can read whole "
        "(scans, word processor's files, PDF), which a person has read and found to hold nothing private",
    )


class Reader(HumanInput):
    """A device or an arrangement that reads chips."""

    kind: Literal["device-programmer", "home-built", "other"] | None = None
    name: Text | None = None
    version: Text | None = None
    serial: Text | None = Field(default=None, json_schema_extra=withheld())
    operator: Text | None = Field(default=None, json_schema_extra=withheld())
    format: Text | None = Field(
        default=None, description="The format of its files, where it is always the same"
    )
    token: Literal["hex", "octal", "decimal", "binary", "nibble"] | None = Field(
        default=None, description="How values are printed, where the content alone does not decide"
    )
    word_order: ByteOrder | None = Field(
        default=None, description="Order of the bytes in printed 16-bit groups"
    )
    address: AddressRadix | None = Field(
        default=None, description="How its listings count in the column of addresses"
    )
    byte_order: ByteOrder | None = Field(
        default=None, description="Order of the bytes of a wide word in its files"
    )
    polarity: Literal["as-is", "inverted"] | None = Field(
        default=None, description="inverted: every bit of its files is turned over; undone, and said so"
    )
    bit_order: Literal["as-is", "reversed"] | None = Field(
        default=None, description="reversed: D0 is the highest bit of its files; undone, and said so"
    )
    pulls: Literal["none", "up", "down"] | None = Field(
        default=None, description="Resistors at the data lines"
    )
    notes: Text | None = Field(default=None, json_schema_extra=withheld())


class Board(HumanInput):
    """A board with sockets."""

    name: Text | None = None
    number: Text | None = Field(default=None, description="The number printed on it")
    revision: Text | None = None
    serial: Text | None = Field(default=None, json_schema_extra=withheld())
    inventory: Text | None = Field(default=None, description="The custodian's own number for it")
    accession: Text | None = Field(
        default=None,
        description="Under which accession it came to the custodian",
        json_schema_extra=withheld(),
    )
    processor: Text | None = Field(
        default=None, description="The processor that runs its programs, such as z80"
    )
    sockets: tuple[Text, ...] = Field(default=(), description="All sockets in the order the board shows them")
    notes: Text | None = Field(default=None, json_schema_extra=withheld())


class View(HumanInput):
    """The geometry in which a pattern ROM's content is drawn."""

    rows: Annotated[int, BeforeValidator(as_number), Field(ge=1, le=256)] = Field(description="Words a glyph")
    columns: Annotated[int, BeforeValidator(as_number), Field(ge=1, le=64)] = Field(
        description="Bits of a row used"
    )
    left: Literal["high", "low"] | None = Field(default=None, description="Which bit is the left dot")
    ink: Literal["one", "zero"] | None = None
    glyphs_a_line: Annotated[int, BeforeValidator(as_number), Field(ge=1, le=256)] | None = None
    scan: Literal["rows", "columns"] | None = Field(
        default=None, description="columns: one word a column of dots"
    )
    start: Number | None = None


class Attempt(HumanInput):
    """A try at reading a chip that gave no usable reading."""

    reader: IdField | None = None
    date: Edtf | None = None
    outcome: Text = Field(description="What happened")


class Chip(HumanInput):
    """One chip in its socket."""

    chip: IdField = Field(description="Its id, as in the names of its dumps")
    board: IdField | None = Field(default=None, description="Key of `boards`")
    socket: Text | None = Field(default=None, description="As printed beside it")
    part: Text | None = Field(
        default=None, description="Number as in the catalogue, or of a part this sheet defines"
    )
    organisation: OrganisationField | None = Field(default=None, description="Words x bits, such as 2048x8")
    marking: Text | None = Field(default=None, description="As printed on the package, letter for letter")
    label: Text | None = Field(default=None, description="What a sticker on it says")
    date_code: Text | None = Field(default=None, description="Week and year, as printed")
    revision: Text | None = Field(default=None, description="Of its content, where known")
    role: Text | None = Field(default=None, description="What it does in the machine")
    inventory: Text | None = Field(default=None, description="The custodian's own number for it")
    accession: Text | None = Field(
        default=None,
        description="Under which accession it came to the custodian",
        json_schema_extra=withheld(),
    )
    original: bool | None = Field(
        default=None,
        description="true: this very chip came with the machine or its firmware; false: a copy, burned since",
    )
    state: Literal["not-read", "read-failed", "socket-empty", "on-loan"] | None = Field(
        default=None, description="Why there is no reading"
    )
    attempts: tuple[Attempt, ...] = Field(default=(), description="Tries that gave no usable reading")
    board_wiring: Lines | None = Field(
        default=None, description="How the board scrambles the chip's lines: the other side is the machine"
    )
    view: View | None = Field(default=None, description="How a pattern ROM is drawn")
    answers: dict[Annotated[str, BeforeValidator(as_code)], Annotated[Text, Field(min_length=1)]] = Field(
        default_factory=dict,
        description="Why a finding is so, by its code; beginning with the lines where it names some",
    )
    private: bool = Field(default=False, description="Withheld from public bundles")
    unconfirmed: tuple[Text, ...] = Field(
        default=(), description="Guesses of `wellread start` still to be confirmed"
    )
    notes: Text | None = Field(default=None, json_schema_extra=withheld())


class Take(HumanInput):
    """Which part of a file is this chip's.

    A range of bytes, every n-th byte, a field of bits, in this order.
    """

    range: Text | None = Field(
        default=None, description="Byte offsets first-end, end not included: 0x0000-0x0800"
    )
    every: Annotated[int, BeforeValidator(as_number), Field(ge=2, le=64)] | None = Field(
        default=None, description="Every n-th byte"
    )
    first: Annotated[int, BeforeValidator(as_number), Field(ge=0, le=63)] | None = Field(
        default=None, description="With every: 0 starts at the first byte"
    )
    bits: Text | None = Field(default=None, description="hi:lo, such as 7:4")

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if self.range is None and self.every is None and self.bits is None:
            raise ValueError("range, every or bits")
        if self.first is not None and (self.every is None or self.first >= self.every):
            raise ValueError("first: less than every")
        _ = self.span, self.bit_field
        return self

    @property
    def span(self) -> tuple[int, int] | None:
        """The range as (first, end) in bytes."""
        if self.range is None:
            return None
        found = _RANGE.fullmatch(self.range)
        if not found:
            raise ValueError("range: two offsets such as 0x0000-0x0800")
        first, end = as_number(found[1]), as_number(found[2])
        if first >= end:
            raise ValueError("range: the first offset before the end offset")
        return first, end

    @property
    def bit_field(self) -> tuple[int, int] | None:
        """The bits as (high, low)."""
        if self.bits is None:
            return None
        found = _BIT_FIELD.fullmatch(self.bits)
        if not found or not 63 >= int(found[1]) >= int(found[2]):
            raise ValueError("bits: high:low such as 7:4")
        return int(found[1]), int(found[2])


class Packed(HumanInput):
    """Two narrow words in one byte."""

    first: Literal["high", "low"] = Field(description="Which half of the byte holds the earlier word")


class ReadingRow(HumanInput):
    """One read-out of one chip, from one or more files or parts of files."""

    chip: IdField | None = Field(
        default=None, description="Not needed where the file is named CHIP.READER.N.ext"
    )
    reader: IdField | None = Field(default=None, description="Key of `readers`")
    file: Text | None = Field(default=None, description="In dumps/, or a path inside the project folder")
    files: tuple[Text, ...] = Field(default=(), description="Several files: one pass each")
    format: Text | None = Field(
        default=None, description="Its format, where the content alone does not decide"
    )
    token: Literal["hex", "octal", "decimal", "binary", "nibble"] | None = Field(
        default=None, description="How values are printed, where the content alone does not decide"
    )
    word_order: ByteOrder | None = Field(
        default=None, description="Order of the bytes in printed 16-bit groups"
    )
    address: AddressRadix | None = Field(
        default=None, description="How a listing counts in its column of addresses"
    )
    gaps: bool = Field(default=False, description="The listing leaves lines out, and that is known")
    take: Take | None = Field(default=None, description="Which part of the file is the chip's")
    packed: Packed | None = Field(default=None, description="Two words of 4 bits in a byte")
    byte_order: ByteOrder | None = Field(
        default=None, description="Order of the bytes of a word wider than 8 bits"
    )
    polarity: Literal["as-is", "inverted"] | None = Field(
        default=None, description="inverted: every bit of its files is turned over; undone, and said so"
    )
    bit_order: Literal["as-is", "reversed"] | None = Field(
        default=None, description="reversed: D0 is the highest bit of its files; undone, and said so"
    )
    wiring: IdField | None = Field(
        default=None, description="Name of the wires it was read with, where several readings share them"
    )
    lines: Lines | None = Field(
        default=None, description="A known crossing, undone: the other side is the reading as it came"
    )
    sitting: Text | None = Field(
        default=None, description="Passes of one sitting: the chip was not re-seated"
    )
    date: Edtf | None = Field(default=None, description="When it was read, as far as known")
    device_setting: Text | None = Field(
        default=None, description="What the device was set to, in its own words"
    )
    read_as: Text | None = Field(default=None, description="The part the device was set to")
    selects: Text | None = Field(default=None, description="Levels on the select pins of a mask ROM")
    supply_v: Annotated[float, Field(gt=0, lt=30)] | None = Field(
        default=None, description="Measured supply in volts"
    )
    clock: Text | None = Field(default=None, description="How fast the addresses were counted")
    pulls: Literal["none", "up", "down"] | None = Field(
        default=None, description="Resistors at the data lines"
    )
    temperature_c: Annotated[float, Field(gt=-100, lt=200)] | None = Field(
        default=None, description="Of the chip, in °C"
    )
    set_aside: Text | None = Field(
        default=None, description="Why this reading has no voice; it is still packed"
    )
    public: bool = Field(default=False, description="The file as read may go into a public bundle")
    private: bool = Field(default=False, description="Withheld from public bundles")
    operator: Text | None = Field(default=None, json_schema_extra=withheld())
    notes: Text | None = Field(default=None, json_schema_extra=withheld())


_LANE = re.compile(r"^([A-Za-z0-9][^\s\[\]]*)(?:\[\s*(\d{1,2})\s*:\s*(\d{1,2})\s*\])?$", re.ASCII)


class Placement(HumanInput):
    """Where chips sit in a space: side by side as lanes, most significant first."""

    at: Number = Field(description="Address at which the lanes begin")
    bank: Text | None = Field(default=None, description="Of several that share addresses")
    lanes: tuple[Text, ...] = Field(min_length=1, description="CHIP or CHIP[hi:lo], most significant first")
    chip_range: Text | None = Field(
        default=None, description="Word addresses first-end of the chips that show here"
    )

    @model_validator(mode="after")
    def _lanes_read(self) -> Self:
        for lane in self.lanes:
            if not _LANE.fullmatch(lane):
                raise ValueError(f"lanes: CHIP or CHIP[hi:lo], not {lane!r}")
        _ = self.span
        return self

    @property
    def parsed_lanes(self) -> tuple[tuple[str, tuple[int, int] | None], ...]:
        """Each lane as (chip id, (high, low) or None)."""
        out = []
        for lane in self.lanes:
            found = _LANE.fullmatch(lane)
            assert found is not None
            out.append((found[1], (int(found[2]), int(found[3])) if found[2] else None))
        return tuple(out)

    @property
    def span(self) -> tuple[int, int] | None:
        """chip_range as (first, end) word addresses."""
        if self.chip_range is None:
            return None
        found = _RANGE.fullmatch(self.chip_range)
        if not found or as_number(found[1]) >= as_number(found[2]):
            raise ValueError("chip_range: two word addresses such as 0x000-0x200")
        return as_number(found[1]), as_number(found[2])


class Space(HumanInput):
    """An address space as the machine sees it."""

    name: IdField
    width: Annotated[int, BeforeValidator(as_number), Field(ge=1, le=64)] = Field(
        description="Bits of one word"
    )
    byte_order: ByteOrder | None = Field(default=None, description="Of the written file; big where not said")
    unit: Literal["word", "byte"] = Field(default="word", description="What `at` counts")
    fill: Number | None = Field(default=None, description="The word that stands in gaps")
    placements: tuple[Placement, ...] = Field(min_length=1)
    description: Text | None = None


class Photograph(HumanInput):
    """A photograph in photos/, and what it shows."""

    file: Text = Field(description="In photos/, or a path inside the project folder")
    board: IdField | None = None
    chip: IdField | None = None
    caption: Text | None = None

    @property
    def path(self) -> str:
        """Where it lies in the project folder."""
        return "photos/" + self.file.replace("\\", "/").removeprefix("./").removeprefix("photos/")


class Twin(HumanInput):
    """The same program in another specimen: a chip of this sheet and one of another bag."""

    chip: IdField
    bag: Text = Field(
        description="The other specimen's bag, bundle or .zip: its name in the project folder or beside it"
    )
    their: IdField = Field(description="The chip's id there")
    notes: Text | None = Field(default=None, json_schema_extra=withheld())


class Sheet(HumanInput):
    """A whole sheet, tables included."""

    wellread: Literal["1"] | None = Field(default=None, description="Version of this form")
    machine: Machine
    custodian: Custodian | None = Field(default=None, description="Who keeps it")
    rights: Rights | None = Field(default=None, description="What is known about the rights in the firmware")
    release: ReleaseWord | None = Field(default=None, description="On whose word a public bundle may be made")
    readers: dict[str, Reader] = Field(default_factory=dict, description="What the chips were read with")
    wirings: dict[str, Wiring] = Field(
        default_factory=dict, description="Sets of wires that several readings share"
    )
    boards: dict[str, Board] = Field(default_factory=dict)
    parts: tuple[Part, ...] = Field(default=(), description="Parts of your own, in the catalogue's words")
    chips: tuple[Chip, ...] = Field(default=(), description="Or the name of a .csv or .xlsx beside the sheet")
    readings: tuple[ReadingRow, ...] = Field(
        default=(),
        description="Only where there is more to say than a dump's name says; or the name of a table",
    )
    spaces: tuple[Space, ...] = Field(default=(), description="Address spaces as the machine sees them")
    twins: tuple[Twin, ...] = Field(default=(), description="The same programs in other specimens")
    photos: tuple[Photograph, ...] = Field(default=(), description="What photographs show")


def sheet_json_schema() -> dict[str, Any]:  # JSON Schema, as pydantic gives it
    """The sheet as JSON Schema for editors: tables may also be the name of a file beside the sheet."""
    schema = Sheet.model_json_schema()
    for table in ("chips", "readings"):
        inline = dict(schema["properties"][table])
        inline.pop("default", None)
        schema["properties"][table] = {
            "anyOf": [inline, {"type": "string", "description": "A .csv or .xlsx file beside the sheet"}]
        }
    return schema
