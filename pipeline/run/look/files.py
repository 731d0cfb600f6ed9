"""`examine`, `compare` and `convert` of files that lie anywhere."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from pipeline import to_do
from pipeline.catalogue import load
from pipeline.catalogue.cautions import cautions, heeded
from pipeline.edges.console import can_draw
from pipeline.edges.disk_errors import absent
from pipeline.edges.memory import need_room
from pipeline.edges.names import refuse_existing
from pipeline.edges.new_file import write_new
from pipeline.edges.project_folder import nearest_name, read_file
from pipeline.errors import FormatError, NothingToDoError, UsageError, WellreadError
from pipeline.formats import Declared, decode, image
from pipeline.formats.declaring import as_options
from pipeline.in_step import by_itself
from pipeline.result import Result
from pipeline.stages.content import with_sisters
from pipeline.stages.examine import in_order
from pipeline.stages.normalise import Manner
from pipeline.stages.reconcile import contested_bits
from pipeline.steps import image_bytes
from pipeline.street import ChipResult, Taken, ToJudge, conclude, declared_of, heard_alone, judge, take_in
from pipeline.views.terminal import converted
from pipeline.words import Words
from schemas.names import Organisation
from schemas.vocabulary import Kind

if TYPE_CHECKING:
    from schemas.answers import CompareAnswer, ConvertAnswer, ExamineAnswer, ExaminedChip
    from schemas.part import Part
    from schemas.sheet import Reader


class HowWritten(NamedTuple):
    """What a person said on the command line about how files are written; None where nothing was said.

    Attributes:
        form: Their format.
        word_order: Order of the bytes in printed 16- and 32-bit groups.
        token: How values are printed.
        address: How listings count.
        gaps: Whether listings leave lines out, and that is known.
    """

    form: str | None = None
    word_order: str | None = None
    token: str | None = None
    address: str | None = None
    gaps: bool = False

    def declared(self, **more: Any) -> Declared:
        """The same as decoders take it, with what else is known.

        Raises:
            UsageError: A word that they do not know, with the options that they do.
        """
        try:
            return Declared(
                format=self.form,
                word_order=self.word_order,
                token=self.token,
                address=self.address,
                gaps=self.gaps,
                **more,
            )
        except UsageError as error:
            error.remedy = as_options(error.remedy)
            raise


NOT_SAID = HowWritten()


class StatedKind(NamedTuple):
    """What a person said about a chip on the command line."""

    organisation: Organisation | None
    part: Part | None
    erased_state: int | None


def read_given(path: Path) -> bytes:
    """The bytes of a file named on the command line."""
    need_room(str(path))
    if path.is_dir():
        raise UsageError(
            where=str(path),
            problem="this is a folder",
            remedy="Name a dump file; `wellread check` takes a whole project",
        )
    if not path.exists() and not path.is_symlink():
        near = nearest_name(path)
        raise absent(path, "file", f"Did you mean {near}" if near else "Give the path of a dump")
    return read_file(path.parent, path.name)


def named(path: Path, error: WellreadError, *, of_sheet: bool = False) -> WellreadError:
    """A decoder's error with the file's name before its place, and the options, or fields, that settle it."""
    error.where = f"{path.name}, {error.where}"
    if not of_sheet:
        error.remedy = as_options(error.remedy)
    elif error.remedy.startswith("write `"):
        error.remedy += ", in the sheet, at this reader"
    return error


def kind_of(part: str | None, organisation: str | None, *, content: bytes = b"") -> StatedKind:
    """The part and organisation of the options, checked against each other.

    Args:
        part: The part as the option says it.
        organisation: Words x bits as the option says them.
        content: A dump of the chip: of the numbers near a misspelt part those of its size are suggested.

    Raises:
        PartError: No such part.
        UsageError: The organisation is none, or not the part's.
    """
    found = load().find(part, size_bytes=len(content) or None) if part is not None else None
    erased = load().erased_state(found, part or "") if found else None
    own = _own_organisation(found, content)
    if organisation is None:
        return StatedKind(own, found, erased)
    try:
        said = Organisation.parse(organisation)
    except ValueError as error:
        raise UsageError(
            where="--organisation",
            problem=f"{organisation!r} is not an organisation (words x bits)",
            remedy=f"Say {error}",
        ) from None
    if own is not None and said != own:
        raise UsageError(
            where="--organisation",
            problem=f"{said} contradicts the part, which is {own}",
            remedy="Give one of the two, or another part",
        )
    return StatedKind(said, found, erased)


def _own_organisation(part: Part | None, content: bytes) -> Organisation | None:
    """What the part holds as this dump has it: of a logic array the fuse map, where the dump is one."""
    if part is None:
        return None
    if part.kind is Kind.LOGIC_ARRAY and content:
        try:
            fuses = decode(content, Declared(format="jesd3")).runs
        except FormatError:
            return part.organisation
        return part.fuse_map or Organisation(fuses[0][-1].end, 1)
    return part.organisation


def _organisation(kind: StatedKind, content: bytes, path: Path, declared: Declared) -> Organisation:
    """The organisation said, or bytes as many as the first file has."""
    if kind.organisation is not None:
        return kind.organisation
    try:
        decoded = decode(content, declared)
    except FormatError as error:
        raise named(path, error) from None
    blocks = decoded.runs[0] if decoded.runs else ()
    low, end = (blocks[0].address, blocks[-1].end) if blocks else (0, 0)
    words = end - low
    if words < 2:
        raise UsageError(
            where=path.name,
            problem="it holds fewer than two words",
            remedy="Check that it is the dump you mean",
        )
    return Organisation(words, decoded.unit_bits if decoded.unit_bits == 1 else max(decoded.unit_bits, 8))


def _declared(kind: StatedKind, written: HowWritten) -> Declared:
    if kind.organisation is None:
        return written.declared()
    return written.declared(bits=kind.organisation.bits, words=kind.organisation.words)


def _passes(
    path: Path,
    content: bytes,
    organisation: Organisation,
    declared: Declared,
    name: str,
    reader: Reader | None = None,
) -> Taken:
    order = "big" if organisation.bits > 8 else None
    manner = Manner(reading=name, reader=THE_READER, sitting=THE_READER, byte_order=order)
    if reader is not None:
        manner = manner._replace(
            byte_order=reader.byte_order or order,
            inverted=reader.polarity == "inverted",
            reversed_bits=reader.bit_order == "reversed",
        )
    try:
        return take_in(content, declared, manner, chip=name, organisation=organisation)
    except FormatError as error:
        raise named(path, error, of_sheet=reader is not None) from None


THE_READER = "the reader"
"""Files named on the command line are passes of one chip by one reader: nothing says otherwise."""


def first_pass(
    path: Path, *, part: str | None = None, organisation: str | None = None, written: HowWritten = NOT_SAID
) -> tuple[Words, Organisation]:
    """The words of a dump's first pass, as they came.

    Args:
        path: A dump in any format that is read here.
        part: Its part, where it was said.
        organisation: Words x bits, where they were said.
        written: How the file is written, as far as it was said.

    Raises:
        FormatError, PartError, UsageError, StorageError: As `examine` does.
    """
    content = read_given(path)
    kind = kind_of(part, organisation, content=content)
    whole = _organisation(kind, content, path, _declared(kind, written))
    taken = _passes(path, content, whole, written.declared(bits=whole.bits, words=whole.words), path.name)
    return taken.passes[0].words, whole


def examine_files(
    files: Sequence[Path],
    *,
    part: str | None,
    organisation: str | None,
    written: HowWritten = NOT_SAID,
    reader: Reader | None = None,
) -> ExamineAnswer:
    """What `examine --json` prints: several files are several passes of one chip by one reader.

    Args:
        files: Dumps.
        part: What was said of the chip.
        organisation: Words x bits that were said of it.
        written: What was said of how the files are written.
        reader: What the sheet says of the reader, where a sheet is at hand.

    Raises:
        WellreadError: A file cannot be read or decoded, or the options contradict each other.
    """
    contents = [read_given(path) for path in files]
    kind = kind_of(part, organisation, content=contents[0])
    declared = _declared(kind, written)
    if reader is not None and kind.organisation is not None:
        from schemas.sheet import ReadingRow  # a reader comes from a sheet, which has loaded it

        declared = Declared(**declared_of(ReadingRow(), reader, kind.organisation))
    organised = _organisation(kind, contents[0], files[0], declared)
    chip = files[0].name
    taken = [
        _passes(path, content, organised, declared, f"{path.name}#{index}", reader)
        for index, (path, content) in enumerate(zip(files, contents, strict=True), start=1)
    ]
    to_judge = ToJudge(
        chip,
        organised,
        [one for each in taken for one in each.passes],
        [one for each in taken for one in each.findings],
        part=kind.part,
        erased_state=kind.erased_state,
    )
    result = by_itself(judge(to_judge))
    return {
        "schema": "wellread/examine/1",
        "command": "examine",
        "project": None,
        "chip": None,
        "files": [str(path) for path in files],
        "part": kind.part.part if kind.part else None,
        **_examined(result, kind),
    }


def _examined(result: ChipResult, kind: StatedKind) -> ExaminedChip:
    """One chip's result as `examine` prints it."""
    settled, heard = result.settled, heard_alone(result)
    assert settled is not None
    graded = conclude(result.graded, heard)
    every = in_order((*result.findings, *heard.findings))
    fades_to = kind.part.fades_to if kind.part else None
    held = () if heard.lifting else result.held_back
    contested = contested_bits(settled, fades_to=fades_to, first_listed=settled.passes[0].reading)
    if contested is not None and result.kept is not None:
        contested["flow"] = result.kept
    return {
        "organisation": str(result.organisation),
        "passes": len(settled.passes),
        "image_sha256": hashlib.sha256(image_bytes(settled.words, settled.organisation.bits)).hexdigest(),
        "grade": graded.grade,
        "reasons": list(graded.reasons),
        "bears": graded.bears,
        "held_back": list(held),
        "contested": contested,
        "findings": to_do.in_order([{**one.to_record(), "chip": result.chip} for one in every], held),
        "regions": [region.to_json() for region in with_sisters(result.regions, (), result.checks)],
        "vectors": [vector.to_json() for vector in result.vectors],
        "read_for": result.read_for,
        **heeded(cautions(kind.part)),
    }


def compare_files(
    first: Path,
    second: Path,
    *,
    part: str | None,
    organisation: str | None,
    written: HowWritten,
    undo: Path | None,
) -> Result[CompareAnswer]:
    """What `compare` says of two files.

    Raises:
        WellreadError: A file cannot be read or decoded, the options contradict each other, or `undo` exists.
    """
    contents = [read_given(path) for path in (first, second)]
    kind = kind_of(part, organisation, content=contents[0])
    declared = _declared(kind, written)
    bits = kind.organisation.bits if kind.organisation else 8
    images = [
        _plain(path, content, declared, bits) for path, content in zip((first, second), contents, strict=True)
    ]
    sides = (Side(str(first), first.name, images[0]), Side(str(second), second.name, images[1]))
    return compare_sides(*sides, bits=bits, part=kind.part, undo=undo)


def one_image(path: Path, kind: StatedKind) -> Words:
    """The words of a file that is one whole reading of a chip.

    Args:
        path: A dump in any format.
        kind: What was said of the chip, its organisation with it.

    Raises:
        UsageError: It has another number of words.
        WellreadError: It cannot be read or decoded.
    """
    assert kind.organisation is not None
    content = read_given(path)
    words: Words = _plain(path, content, _declared(kind, NOT_SAID), kind.organisation.bits)
    if words.size != kind.organisation.words:
        raise UsageError(
            where=path.name,
            problem=f"{words.size} words, the chip has {kind.organisation.words}",
            remedy="Give a whole reading of this chip",
        )
    return words


class Side(NamedTuple):
    """One of two readings that are compared.

    Attributes:
        given: As the person named it.
        name: In few words, for the text.
        words: One element a word.
    """

    given: str
    name: str
    words: Words


def compare_sides(
    first: Side, second: Side, *, bits: int, part: Part | None, undo: Path | None
) -> Result[CompareAnswer]:
    """What `compare` says of two readings.

    Args:
        first: The one whose order counts.
        second: The other.
        bits: Of a word.
        part: Of the chip, where known.
        undo: The file to write the second into, brought into the first's order.

    Raises:
        NothingToDoError: A reading holds no words.
        UsageError: Nothing between them can be undone.
        DestinationError: `undo` exists.
    """
    from pipeline.lines.verdict import compare
    from pipeline.views.compare import verdict
    from pipeline.views.terminal import heeding

    if undo is not None:
        refuse_existing(undo)
    for side in (first, second):
        if len(side.words) == 0:
            raise NothingToDoError(
                where=side.given, problem="it holds no words", remedy="Check that it is the dump you mean"
            )
    compared = compare(first.words, second.words, Organisation(len(first.words), bits))
    document: CompareAnswer = {
        "schema": "wellread/compare/1",
        "command": "compare",
        "first": first.given,
        "second": second.given,
        **compared.to_json(),
        **heeded(cautions(part)),
    }
    if undo is not None:
        if compared.relation.relation not in ("identical", "mapped", "slipped"):
            raise UsageError(
                where="--undo",
                problem="nothing between the two can be undone",
                remedy="Look at both with `wellread examine`",
            )
        write_new(undo, image_bytes(compared.brought, bits))
        document["undone"] = str(undo)
    lines = verdict(compared, first.name, second.name, plain=not can_draw())
    if compared.relation.relation != "identical":
        lines += ["", *heeding(document, part.part if part else None)]
    return Result(document, "\n".join(lines))


def _plain(path: Path, content: bytes, declared: Declared, bits: int) -> Any:
    """All words of a file's first run, as they come."""
    from pipeline.flow import Step
    from pipeline.steps import Units, apply_step

    try:
        decoded = decode(content, declared)
    except FormatError as error:
        raise named(path, error) from None
    blocks = decoded.runs[0]
    low = blocks[0].address if blocks else 0
    size = blocks[-1].end - low if blocks else 0
    values, present = image(blocks, size, 0, base=low)
    del present
    units = Units(values, None, decoded.unit_bits)
    if bits > 8 and decoded.unit_bits == 8:
        units = apply_step(
            units, Step("join-bytes", {"bytes": (bits + 7) // 8, "bits": (bits + 7) // 8 * 8, "order": "big"})
        )
    return apply_step(units, Step("narrow", {"bits": bits})).values


def number(text: str | None, option: str) -> int | None:
    """A number given as an option, decimal or hexadecimal with 0x."""
    if text is None:
        return None
    from schemas.sheet import as_number

    try:
        return as_number(text)
    except ValueError as error:
        raise UsageError(where=option, problem=f"{text!r} is not a number", remedy=f"Say {error}") from None


def convert_file(
    file: Path,
    *,
    to: str,
    output: Path,
    written: HowWritten,
    fill: str | None,
    base: str | None,
    span: str | None,
    which: int | None = None,
) -> Result[ConvertAnswer]:
    """What `convert` says; the output is written, never over anything.

    Raises:
        WellreadError: The file cannot be read or decoded, the output is sparse, or exists.
    """
    from pipeline.formats.convert import convert

    content = read_given(file)
    declared = written.declared(fill=number(fill, "--fill"))
    options = {"base": number(base, "--base"), "most_fill": number(span, "--span"), "number": which}
    try:
        made = convert(
            content,
            to,
            declared=declared,
            **{key: value for key, value in options.items() if value is not None},
        )
    except FormatError as error:
        raise named(file, error) from None
    write_new(output, made.output)
    document: ConvertAnswer = {
        "schema": "wellread/convert/1",
        "command": "convert",
        "input": str(file),
        "output": str(output),
        **made.summary(),
    }
    return Result(document, converted(document))
