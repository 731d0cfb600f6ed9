"""The command line: parse, one call into `pipeline.run`, render, exit code. No logic.

Everything but Typer is imported inside the commands, so that `--help` answers at once. For the same reason
annotations are values in this module, not text, which Typer would evaluate twice.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from pipeline.result import Result
from pipeline.summaries import WholeSummaries

app = typer.Typer(
    name="wellread",
    cls=WholeSummaries,
    help=(
        "From a folder of ROM dumps and a sheet to a verified, archive-ready package, and on to a public "
        "bundle."
    ),
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)

Json = Annotated[bool, typer.Option("--json", help="One JSON document on standard output.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="No progress and no summary.")]
Strict = Annotated[bool, typer.Option("--strict", help="Exit 1 if a chip still needs a person.")]
Folder = Annotated[Path, typer.Argument(help="The project folder: sheet.yaml and dumps/.")]
PartOption = Annotated[
    str | None, typer.Option("--part", help="Number of the part, as in the catalogue or as marked.")
]
OrganisationOption = Annotated[
    str | None,
    typer.Option("--organisation", help="Words x bits, such as 2048x8, where the part is not known."),
]


def _head(expected: str | None) -> str | None:
    if expected is not None and not expected.strip():
        raise typer.BadParameter("is empty, so that nothing would be checked")
    return expected


ExpectHead = Annotated[
    str | None,
    typer.Option("--expect-head", callback=_head, help="A head that an earlier run printed."),
]
ClearLeftovers = Annotated[
    bool, typer.Option("--clear-leftovers", help="Remove what runs that died left beside the destination.")
]
SchedulerOption = Annotated[
    str | None,
    typer.Option("--scheduler", help="Address of a Dask scheduler whose workers see the same folders."),
]
FormatOption = Annotated[
    str | None, typer.Option("--format", help="Format of the files; told from the content if not said.")
]


WordOrderOption = Annotated[
    str | None, typer.Option("--word-order", help="big or little, for printed 16- and 32-bit groups.")
]
TokenOption = Annotated[
    str | None,
    typer.Option("--token", help="hex, octal, decimal, binary or nibble, for lists of numbers."),
]
AddressOption = Annotated[
    str | None,
    typer.Option("--address", help="hex, octal or decimal, for the column of addresses of a listing."),
]
GapsOption = Annotated[bool, typer.Option("--gaps", help="The listing leaves lines out, and that is known.")]
ProjectOption = Annotated[
    Path | None, typer.Option("--project", help="A project folder, with whose sheet this is done.")
]


WiringOption = Annotated[
    str | None, typer.Option("--wiring", help="Name of the reader's wiring, kept in the sheet.")
]


def _version(asked: bool) -> None:  # noqa: FBT001 - Typer calls it so
    if asked:
        from pipeline import __version__

        typer.echo(f"wellread {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """From a folder of ROM dumps and a sheet to a verified, archive-ready package, and to a public bundle."""


def _end(
    result: Result[Mapping[str, object]],
    *,
    as_json: bool,
    quiet: bool = False,
    strict: bool = False,
    whole: bool = False,
) -> NoReturn:
    """Print what a command found, in the form that was asked for, and end with the code that it means.

    Where a command answers and refuses all the same, the answer is printed and the refusal raised. Lines of a
    `whole` text are not laid into the terminal's width, nor is what is printed in spite of `--quiet`: a path.
    """
    from pipeline.edges.console import say, say_json, wipe_progress
    from pipeline.exit_codes import exit_code

    wipe_progress()
    if as_json:
        say_json(result.document)
    elif text := result.brief if quiet else result.text:
        say(text, whole=whole or quiet)
    raise result.refusal or typer.Exit(exit_code(result.document, strict=strict))


@app.command()
def start(folder: Folder, as_json: Json = False, quiet: Quiet = False) -> None:
    """Draft a sheet from the dumps that lie in FOLDER/dumps; every guess is listed to be confirmed."""
    _begin("Looking at the dumps", quiet=quiet or as_json)
    from pipeline.run.package.start import start_project

    _end(start_project(folder), as_json=as_json, quiet=quiet)


@app.command()
def check(folder: Folder, as_json: Json = False, quiet: Quiet = False) -> None:
    """Check sheet and dumps; write nothing. Exit 1 on problems."""
    _begin("Reading the sheet", quiet=quiet or as_json)
    from pipeline.run.package.check import check_project

    _end(check_project(folder, quiet=quiet or as_json), as_json=as_json, quiet=quiet)


@app.command()
def package(
    folders: Annotated[
        list[Path], typer.Argument(help="Project folders, each with sheet.yaml and dumps/; often one.")
    ],
    into: Annotated[
        Path | None, typer.Option("--into", help="Where the bag goes; beside the folder if not said.")
    ] = None,
    clear_leftovers: ClearLeftovers = False,
    strict: Strict = False,
    scheduler: SchedulerOption = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Run the whole pipeline and write the next version of the machine's bag.

    Of several projects each gets its bag, even where another fails; the worst exit code counts.
    """
    _begin("Reading the sheet", quiet=quiet or as_json)
    from pipeline.run.package.several import package_projects

    result = package_projects(
        folders,
        into,
        clear_leftovers=clear_leftovers,
        strict=strict,
        whole=as_json,
        quiet=quiet or as_json,
        scheduler=scheduler,
    )
    _end(result, as_json=as_json, quiet=quiet, strict=strict)


def _begin(what: str, *, quiet: bool) -> None:
    """The first sign of long work: before the modules that do it are loaded."""
    from pipeline.edges.progress import begin

    begin(what, quiet=quiet)


@app.command()
def examine(
    files: Annotated[
        list[Path] | None, typer.Argument(help="Dump files of one chip; several are several passes.")
    ] = None,
    project: ProjectOption = None,
    chip: Annotated[
        str | None, typer.Option("--chip", help="A chip of the project instead, as its sheet has it.")
    ] = None,
    part: PartOption = None,
    organisation: OrganisationOption = None,
    form: FormatOption = None,
    word_order: WordOrderOption = None,
    token: TokenOption = None,
    address: AddressOption = None,
    gaps: GapsOption = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Examine the readings of one chip for reading faults. Exit 1 on a fault."""
    _begin("Reading the dumps", quiet=quiet or as_json)
    from pipeline.run.look.files import HowWritten
    from pipeline.run.look.in_project import examine as run_examine

    result = run_examine(
        files or (),
        project=project,
        chip=chip,
        part=part,
        organisation=organisation,
        written=HowWritten(form, word_order, token, address, gaps),
        quiet=quiet or as_json,
    )
    _end(result, as_json=as_json, quiet=quiet)


@app.command()
def compare(
    first: Annotated[
        Path, typer.Argument(help="The reading whose order counts: a file, or U3.prog.1 of --project.")
    ],
    second: Annotated[Path, typer.Argument(help="The other; U3.prog.1/2 is a second pass.")],
    project: ProjectOption = None,
    part: PartOption = None,
    organisation: OrganisationOption = None,
    form: FormatOption = None,
    word_order: WordOrderOption = None,
    token: TokenOption = None,
    address: AddressOption = None,
    gaps: GapsOption = False,
    undo: Annotated[
        Path | None, typer.Option("--undo", help="Write the second, brought into the first's order.")
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Say how one reading maps onto another. Exit 0 only when they are identical."""
    _begin("Reading the dumps", quiet=quiet or as_json)
    from pipeline.run.look.files import HowWritten
    from pipeline.run.look.in_project import compare as run_compare

    result = run_compare(
        first,
        second,
        project=project,
        part=part,
        organisation=organisation,
        written=HowWritten(form, word_order, token, address, gaps),
        undo=undo,
    )
    _end(result, as_json=as_json, quiet=quiet)


@app.command()
def convert(
    file: Annotated[Path, typer.Argument(help="A dump in any format that is read here.")],
    to: Annotated[str, typer.Option("--to", help="binary, intel-hex or s-record.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="The file to write; never overwritten.")],
    form: FormatOption = None,
    fill: Annotated[str | None, typer.Option("--fill", help="Byte for gaps, such as 0xFF.")] = None,
    base: Annotated[
        str | None, typer.Option("--base", help="Address of the first byte in the output.")
    ] = None,
    word_order: WordOrderOption = None,
    token: TokenOption = None,
    span: Annotated[
        str | None, typer.Option("--span", help="Longest output in bytes that may be mostly gaps.")
    ] = None,
    address: AddressOption = None,
    gaps: GapsOption = False,
    which: Annotated[
        int | None, typer.Option("--pass", help="Which pass of a log that holds several, from 1.")
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Turn a dump into binary, Intel HEX or S-records."""
    _begin("Reading the dump", quiet=quiet or as_json)
    from pipeline.run.look.files import HowWritten, convert_file

    result = convert_file(
        file,
        to=to,
        output=output,
        written=HowWritten(form, word_order, token, address, gaps),
        fill=fill,
        base=base,
        span=span,
        which=which,
    )
    _end(result, as_json=as_json, quiet=quiet)


@app.command()
def schema(
    name: Annotated[
        str | None, typer.Argument(help="sheet, record, finding, part, or a command's name.")
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Print a JSON Schema; without a name, list which there are."""
    from pipeline.run.schemas import list_schemas, schema_document

    del quiet
    if name is None:
        _end(list_schemas(), as_json=as_json)
    from pipeline.edges.console import say_json

    say_json(schema_document(name))


@app.command()
def explain(
    codes: Annotated[
        list[str] | None, typer.Argument(help="Codes of findings, or grades; without one, all in short.")
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Say what a finding or a grade means, how it is told, what else looks so, and what to do."""
    from pipeline.run.explain import explain as run_explain

    _end(run_explain(codes or ()), as_json=as_json, quiet=quiet)


@app.command()
def recheck(
    bags: Annotated[
        list[Path], typer.Argument(help="Bags, folders that hold some, or .zip and .tar files with one.")
    ],
    ledger: Annotated[Path | None, typer.Option("--ledger", help="Remember each check in this file.")] = None,
    due: Annotated[
        float | None, typer.Option("--due", help="Only bags not found valid within so many days.")
    ] = None,
    expect_head: ExpectHead = None,
    new_ledger: Annotated[
        bool, typer.Option("--new-ledger", help="Begin the ledger where there is none.")
    ] = False,
    replay: Annotated[
        bool, typer.Option("--replay", help="Rebuild every image from its readings by the recorded steps.")
    ] = False,
    scheduler: SchedulerOption = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Check bags against what they say of themselves, and against the ledger.

    Exit 1 on any that is not valid.
    """
    _begin("Looking at the files", quiet=quiet or as_json)
    if ledger is None and (due is not None or expect_head is not None or new_ledger):
        raise typer.BadParameter("--due, --expect-head and --new-ledger go with --ledger")
    from pipeline.run.keep.documents import recheck as run_recheck

    result = run_recheck(
        bags,
        ledger=ledger,
        due_days=due,
        expect_head=expect_head or "",
        new_ledger=new_ledger,
        replay=replay,
        scheduler=scheduler,
        quiet=quiet or as_json,
    )
    _end(result, as_json=as_json, quiet=quiet)


@app.command(name="ledger")
def show_ledger(
    file: Annotated[Path, typer.Argument(help="The ledger's file.")],
    verify: Annotated[
        bool, typer.Option("--verify", help="Exit 20 unless every row is there as written.")
    ] = False,
    expect_head: ExpectHead = None,
    csv: Annotated[Path | None, typer.Option("--csv", help="Write the history as a table.")] = None,
    premis: Annotated[
        Path | None, typer.Option("--premis", help="Write the history as PREMIS events.")
    ] = None,
    accept: Annotated[
        Path | None, typer.Option("--accept", help="A known bag whose new receipt is right.")
    ] = None,
    because: Annotated[str, typer.Option("--because", help="Why it is; kept with the acceptance.")] = "",
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Show the history of checks, and whether it is whole."""
    if (accept is None) != (not because.strip()):
        raise typer.BadParameter("--accept and --because go together")
    from pipeline.run.keep.documents import show_ledger as run_ledger

    result = run_ledger(
        file,
        verify=verify,
        expect_head=expect_head or "",
        csv=csv,
        premis=premis,
        accept=accept,
        because=because,
    )
    _end(result, as_json=as_json, quiet=quiet)


@app.command()
def mend(
    bag: Annotated[Path, typer.Argument(help="The damaged bag.")],
    copies: Annotated[list[Path], typer.Option("--from", help="A copy of the bag; repeat for several.")],
    ledger: Annotated[
        Path | None, typer.Option("--ledger", help="The ledger that knows the bag's receipt.")
    ] = None,
    receipt: Annotated[
        str, typer.Option("--receipt", help="The bag's receipt, where it was written down.")
    ] = "",
    clear_leftovers: ClearLeftovers = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Restore damaged files of a bag from copies that verify; the damaged ones are kept beside it."""
    _begin("Looking at the bag", quiet=quiet or as_json)
    from pipeline.run.keep.documents import mend as run_mend
    from pipeline.run.leftovers import dead_runs_of

    dead_runs_of(bag, clear=clear_leftovers, quiet=quiet or as_json)
    _end(run_mend(bag, copies, ledger=ledger, receipt=receipt), as_json=as_json, quiet=quiet)


@app.command()
def parts(
    name: Annotated[
        str | None, typer.Argument(help="A part's number, as in a data sheet or as marked.")
    ] = None,
    words: Annotated[int | None, typer.Option("--words", help="Only parts of so many words.")] = None,
    bits: Annotated[int | None, typer.Option("--bits", help="Only parts of so many bits a word.")] = None,
    pins: Annotated[int | None, typer.Option("--pins", help="Only parts with so many pins.")] = None,
    kind: Annotated[
        str | None, typer.Option("--kind", help="Only parts of this kind, such as eprom or fuse.")
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Show the catalogue of parts, or one part with its pins, supplies and cautions."""
    from pipeline.run.parts import show_parts

    _end(show_parts(name, words=words, bits=bits, pins=pins, kind=kind), as_json=as_json, quiet=quiet)


@app.command()
def release(
    bags: Annotated[list[Path], typer.Argument(help="Bags, often one; each is rechecked first.")],
    into: Annotated[
        Path | None, typer.Option("--into", help="Where bundle and zip go; beside the bag if not said.")
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would go out and what would stay; write nothing.")
    ] = False,
    clear_leftovers: ClearLeftovers = False,
    strict: Strict = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Make the public bundle and its zip: private facts stay behind, and a summary says which and why.

    The sheet must state the rights, by a RightsStatements.org URI, a Creative Commons URI or an SPDX
    identifier:

    \b
    rights:
      statement: http://rightsstatements.org/vocab/CNE/1.0/
      note: who was asked, and when

    Which one fits firmware whose maker is gone? In plain words, and no legal advice:

    CNE: nobody has looked into it yet. The honest start for most firmware.

    InC-RUU: it is in copyright, and a reasonable search found no holder. Keep a record of the search. Not for
    libraries, museums and archives that work under the EU orphan works rules.

    UND: somebody looked, and the facts do not decide it.

    InC: the maker, or whoever bought its rights, is known. Ask them.

    NKC, NoC-US: not for orphans. A maker that is gone has not given its rights away.

    InC-OW-EU: does not fit as a rule. That regime covers writings and films, not programs.

    A statement is a label, not a licence: it allows nobody to copy anything. Chips' content therefore goes
    out only where the sheet also says on whose word it may:

    \b
    release:
      allowed_by: name and office
      ground: decision, licence or permission
      documents: [docs/FILE]

    Without that the bundle holds metadata, digests and a report without pictures of content. Documents go out
    only where that list names them, dump files only where their reading says `public: true`, photographs
    without what the camera wrote into them.
    """  # noqa: D301 - \b is what keeps lines apart
    _begin("Looking at the bag", quiet=quiet or as_json)
    from pipeline.run.publish.several import release_bags

    result = release_bags(
        bags,
        into,
        dry_run=dry_run,
        clear_leftovers=clear_leftovers,
        strict=strict,
        quiet=quiet or as_json,
    )
    _end(result, as_json=as_json, quiet=quiet, strict=strict)


@app.command()
def burn(
    bag: Annotated[Path, typer.Argument(help="A bag or a public bundle; it is rechecked first.")],
    into: Annotated[str, typer.Option("--into", help="The replacement part's number.")],
    form: Annotated[str, typer.Option("--format", help="binary, intel-hex or s-record.")] = "binary",
    chip: Annotated[str | None, typer.Option("--chip", help="The chip to replace.")] = None,
    space: Annotated[
        str | None, typer.Option("--space", help="Or: an address space to share out over a set of chips.")
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option(
            "--output",
            "-o",
            help=(
                "The file to write, for a space the folder; named after chip and part if not said; never "
                "overwritten."
            ),
        ),
    ] = None,
    even_so: Annotated[
        bool, typer.Option("--even-so", help="Burn an image that is contested, faulty or held back.")
    ] = False,
    layout: Annotated[
        str,
        typer.Option(
            "--layout", help="auto, repeat (copies everywhere) or offset (where the pins' levels point)."
        ),
    ] = "auto",
    byte_order: Annotated[
        str, typer.Option("--byte-order", help="big or little, for words wider than 8 bits.")
    ] = "big",
    socket: Annotated[
        str | None, typer.Option("--socket", help="The old part, where the sheet names none.")
    ] = None,
    select: Annotated[
        list[str] | None,
        typer.Option("--select", help="Level that selects a mask ROM, by pin, such as 20=low."),
    ] = None,
    from_memory: Annotated[
        bool,
        typer.Option("--from-memory", help="Print pin numbers of low confidence too, every line stamped."),
    ] = False,
    address_order: Annotated[
        str | None,
        typer.Option(
            "--address-order",
            help="For A0, A1, A2 ... of the old part: which line of the new part carries it.",
        ),
    ] = None,
    data_order: Annotated[
        str | None,
        typer.Option(
            "--data-order", help="For D0, D1, D2 ... of the old part: which line of the new part carries it."
        ),
    ] = None,
    invert_address: Annotated[
        str | None, typer.Option("--invert-address", help="Lines of the new part that arrive inverted.")
    ] = None,
    invert_data: Annotated[
        str | None, typer.Option("--invert-data", help="Data lines of the new part that leave inverted.")
    ] = None,
    clear_leftovers: ClearLeftovers = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Write the programming file of a replacement chip, and say what to do to which pin.

    The image is repeated, or put where the extra address pins' levels point; the sum that a device programmer
    will show, pin ties, speed and output warnings are printed. With --space, an assembled space is shared out
    over a set of chips of another width or size.
    """
    _begin("Looking at the bag", quiet=quiet or as_json)
    from pipeline.errors import UsageError
    from pipeline.run.publish.burn import burn_chip, burn_space, wish

    if (chip is None) == (space is None):
        raise UsageError(
            where="burn", problem="one chip or one space is needed", remedy="Say --chip ID or --space NAME"
        )
    wanted = wish(
        form=form,
        output=output,
        even_so=even_so,
        layout=layout,
        byte_order=byte_order,
        socket=socket,
        address_order=address_order,
        data_order=data_order,
        invert_address=invert_address,
        invert_data=invert_data,
        selects=select or (),
        from_memory=from_memory,
    )
    if chip is not None:
        result = burn_chip(bag, chip, into, wanted, quiet=quiet or as_json)
    else:
        result = burn_space(
            bag, str(space), into, wanted, quiet=quiet or as_json, clear_leftovers=clear_leftovers
        )
    _end(result, as_json=as_json, quiet=quiet)


@app.command()
def listing(
    bag: Annotated[Path, typer.Argument(help="A bag or a public bundle; it is rechecked first.")],
    chip: Annotated[str, typer.Option("--chip", help="The chip's id.")],
    processor: Annotated[
        str | None,
        typer.Option("--processor", help="Read it for this one, whatever sheet and content say."),
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Print a chip's program as an assembler listing: code, strings, tables, unreached code told apart."""
    _begin("Looking at the bag", quiet=quiet or as_json)
    from pipeline.run.keep.listing import list_chip

    _end(list_chip(bag, chip, processor, quiet=quiet or as_json), as_json=as_json, whole=True)


@app.command()
def changes(
    old: Annotated[Path, typer.Argument(help="A bag or bundle.")],
    new: Annotated[
        Path, typer.Argument(help="A later one of the same machine, or one of another machine of its model.")
    ],
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Say chip by chip what differs between two bags or bundles; fading is told from revisions."""
    _begin("Looking at the bags", quiet=quiet or as_json)
    from pipeline.run.publish.changes import changes as run_changes

    _end(run_changes(old, new, quiet=quiet or as_json), as_json=as_json, quiet=quiet)


@app.command()
def reopen(
    bag: Annotated[Path, typer.Argument(help="A bag; it is rechecked first.")],
    into: Annotated[Path, typer.Option("--into", help="The project folder to make.")],
    clear_leftovers: ClearLeftovers = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Give the project folder back from a bag: a correction or a later reading makes the next version."""
    _begin("Looking at the bag", quiet=quiet or as_json)
    from pipeline.run.keep.reopen import reopen as run_reopen
    from pipeline.run.leftovers import dead_runs_of

    dead_runs_of(into, clear=clear_leftovers, quiet=quiet or as_json)
    _end(run_reopen(bag, into, quiet=quiet or as_json), as_json=as_json, quiet=quiet)


@app.command()
def bench(
    part: Annotated[str, typer.Argument(help="The part to be read, as in the catalogue or as marked.")],
    other: Annotated[str | None, typer.Option("--from", help="A part that is wired already.")] = None,
    from_memory: Annotated[
        bool,
        typer.Option("--from-memory", help="Print pin numbers of low confidence too, every line stamped."),
    ] = False,
    project: Annotated[
        Path | None, typer.Option("--project", help="Say which of this project's chips try the wiring.")
    ] = None,
    html: Annotated[
        Path | None, typer.Option("--html", help="Write one printable page; never over another file.")
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Say pin by pin how to wire a reader for PART, and how to find out whether it can be believed."""
    _begin("Looking up the part", quiet=quiet or as_json)
    from pipeline.run.bench.bench import bench_part

    result = bench_part(
        part, other=other, from_memory=from_memory, project=project, html=html, quiet=quiet or as_json
    )
    _end(result, as_json=as_json, quiet=quiet)


@app.command()
def capture(
    port: Annotated[str, typer.Argument(help="The serial port that the reader prints to.")],
    chip: Annotated[str, typer.Option("--chip", help="The chip's id in the sheet.")],
    reader: Annotated[str, typer.Option("--reader", help="The reader's id in the sheet.")],
    part: PartOption = None,
    organisation: OrganisationOption = None,
    passes: Annotated[int, typer.Option("--passes", help="How often the reader reads the whole chip.")] = 3,
    baud: Annotated[int, typer.Option("--baud", help="Speed of the line.")] = 115_200,
    project: Annotated[Path, typer.Option("--project", help="The project folder.")] = Path(),
    resume: Annotated[bool, typer.Option("--resume", help="Go on with an unfinished log.")] = False,
    sitting: Annotated[
        str | None, typer.Option("--sitting", help="Name of the sitting, kept in the sheet.")
    ] = None,
    wiring: WiringOption = None,
    quiet_seconds: Annotated[
        float, typer.Option("--quiet-seconds", help="Silence for so long ends the capture.")
    ] = 3.0,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Take what a home-built reader prints: raw bytes to disk first, then decoded, compared and examined.

    Exit 1 on a fault in the reading, or where it is not what was asked for: fewer passes, bytes lost.

    Before hands go near any chip: power off; every supply measured at the empty socket; right chip, right way
    round; reader's pins low or inputs while a supply is off; 5 V and 3.3 V kept apart; ID checks of a device
    programmer off; wrist strap on. A sole copy: photographs first, three passes at the nominal supply, then
    stop. The data sheet, local electrical-safety rules and licensed practice come first. `wellread parts
    PART` has a part's own dangers.
    """
    from pipeline.run.bench.capture import CaptureWish
    from pipeline.run.bench.capture import capture as run_capture

    wish = CaptureWish(
        port=port,
        chip=chip,
        reader=reader,
        part=part,
        organisation=organisation,
        passes=passes,
        baud=baud,
        quiet_seconds=quiet_seconds,
        resume=resume,
        sitting=sitting,
        project=project,
        wiring=wiring,
    )
    _end(run_capture(wish, quiet=quiet or as_json), as_json=as_json, quiet=quiet)


@app.command()
def twins(
    bag: Annotated[Path, typer.Argument(help="A bag or bundle; it is rechecked first.")],
    among: Annotated[
        list[Path], typer.Option("--among", help="Bags, or folders that hold some; repeat for several.")
    ],
    project: Annotated[
        Path | None, typer.Option("--project", help="Write the rows into this project's sheet.")
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Find the same programs in other specimens, by content, label and socket, and say how they differ.

    Each bag is verified before use. A twin settles no bit of this bag's chips: named in the sheet it is
    evidence beside them.
    """
    _begin("Looking at the bag", quiet=quiet or as_json)
    from pipeline.run.holdings.find_twins import find_twins

    _end(find_twins(bag, among, project=project, quiet=quiet or as_json), as_json=as_json, quiet=quiet)


def _filters(**asked: str | bool | None) -> dict[str, str]:
    """The conditions that were given: value of an option, or "" for one that takes none."""
    return {name: "" if value is True else str(value) for name, value in asked.items() if value}


@app.command()
def holdings(
    shelves: Annotated[
        list[Path] | None,
        typer.Argument(help="Bags, folders that hold some, or .zip and .tar files with one."),
    ] = None,
    index: Annotated[
        Path | None, typer.Option("--index", help="Keep the index in this file, and read only what changed.")
    ] = None,
    ledger: Annotated[
        Path | None, typer.Option("--ledger", help="A ledger that knows when each bag was checked.")
    ] = None,
    to_read: Annotated[bool, typer.Option("--next", help="What to read next, with every reason.")] = False,
    part: Annotated[str | None, typer.Option("--part", help="Chips of this part.")] = None,
    label: Annotated[str | None, typer.Option("--label", help="Chips with this label.")] = None,
    marking: Annotated[
        str | None, typer.Option("--marking", help="Chips whose marking has this in it.")
    ] = None,
    machine: Annotated[str | None, typer.Option("--machine", help="Chips of this machine.")] = None,
    inventory: Annotated[
        str | None, typer.Option("--inventory", help="Chips with this inventory number of the holder's.")
    ] = None,
    grade: Annotated[str | None, typer.Option("--grade", help="Chips of this grade.")] = None,
    unread: Annotated[bool, typer.Option("--unread", help="Chips without a usable reading.")] = False,
    contested: Annotated[bool, typer.Option("--contested", help="Chips contested or faulty.")] = False,
    fading: Annotated[bool, typer.Option("--fading", help="Read once only, on parts that fade.")] = False,
    content: Annotated[
        str | None, typer.Option("--content", help="Where this SHA-256 of an image is.")
    ] = None,
    file: Annotated[Path | None, typer.Option("--file", help="A dump: have we got this?")] = None,
    organisation: OrganisationOption = None,
    all_versions: Annotated[
        bool, typer.Option("--all", help="Earlier versions and bundles too, not the newest bags alone.")
    ] = False,
    most: Annotated[
        int, typer.Option("--most", min=0, help="At most so many chips in the answer; 0 for all.")
    ] = 200,
    csv: Annotated[
        Path | None, typer.Option("--csv", help="Write what was found, or all chips, as a table.")
    ] = None,
    page: Annotated[
        Path | None, typer.Option("--page", help="Write the shelf as one page; never over another file.")
    ] = None,
    scheduler: SchedulerOption = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Say what a shelf of bags holds, in which state it is, and what to read next."""
    _begin("Looking at the bags", quiet=quiet or as_json)
    from pipeline.run.holdings.ask import Wish
    from pipeline.run.holdings.ask import holdings as run_holdings

    conditions = _filters(
        part=None if file else part,
        label=label,
        marking=marking,
        machine=machine,
        inventory=inventory,
        grade=grade,
        unread=unread,
        contested=contested,
        fading=fading,
        content=content,
    )
    wish = Wish(conditions, to_read, file, part, organisation, all_versions, csv, page, most)
    result = run_holdings(
        shelves or (), wish, index=index, ledger=ledger, quiet=quiet or as_json, scheduler=scheduler
    )
    _end(result, as_json=as_json, quiet=quiet)


@app.command()
def watch(
    port: Annotated[str, typer.Argument(help="The serial port that the reader prints to.")],
    part: PartOption = None,
    organisation: OrganisationOption = None,
    like: Annotated[
        Path | None, typer.Option("--like", help="A trusted reading of this very chip: crossings are named.")
    ] = None,
    baud: Annotated[int, typer.Option("--baud", help="Speed of the line.")] = 115_200,
    find_speed: Annotated[
        bool, typer.Option("--find-speed", help="Try the usual speeds first, until what arrives is text.")
    ] = False,
    bell: Annotated[
        str | None, typer.Option("--bell", help="good or change: when the terminal's bell rings.")
    ] = None,
    quiet_seconds: Annotated[
        float, typer.Option("--quiet-seconds", help="A reader silent for so long may be off.")
    ] = 3.0,
    then_capture: Annotated[
        bool, typer.Option("--then-capture", help="Capture once the reading is good; needs --chip, --reader.")
    ] = False,
    chip: Annotated[str | None, typer.Option("--chip", help="The chip's id in the sheet.")] = None,
    reader: Annotated[str | None, typer.Option("--reader", help="The reader's id in the sheet.")] = None,
    wiring: WiringOption = None,
    passes: Annotated[int, typer.Option("--passes", help="How many passes are captured.")] = 3,
    sitting: Annotated[
        str | None, typer.Option("--sitting", help="Name of the sitting, kept in the sheet.")
    ] = None,
    project: Annotated[Path, typer.Option("--project", help="The project folder.")] = Path(),
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Say after each pass of a reader which lines are alive, until three passes are good; writes nothing.

    Power off before any wire or chip is moved: a reader that falls silent, or a port that is gone, is no
    error here, and the watch goes on when it is back. With --json one document a line. Ctrl-C ends it.

    Before hands go near any chip: power off; every supply measured at the empty socket; right chip, right way
    round; reader's pins low or inputs while a supply is off; 5 V and 3.3 V kept apart; ID checks of a device
    programmer off; wrist strap on. A sole copy: photographs first, three passes at the nominal supply, then
    stop. The data sheet, local electrical-safety rules and licensed practice come first. `wellread parts
    PART` has a part's own dangers.
    """
    if then_capture and (chip is None or reader is None):
        raise typer.BadParameter("--then-capture needs --chip and --reader")
    from pipeline.run.bench.capture import CaptureWish
    from pipeline.run.bench.watch import WatchWish, watch_port

    wish = WatchWish(port, part, organisation, baud, like, bell, quiet_seconds, find_speed)
    then = None
    if then_capture:
        then = CaptureWish(
            port=port,
            chip=str(chip),
            reader=str(reader),
            part=part,
            organisation=organisation,
            passes=passes,
            baud=baud,
            quiet_seconds=quiet_seconds,
            resume=False,
            sitting=sitting,
            project=project,
            wiring=wiring,
        )
    result = watch_port(wish, then=then, as_json=as_json, quiet=quiet)
    if result is None:
        return
    if as_json:
        from pipeline.edges.console import say_json_line

        say_json_line(result.document)
    _end(result, as_json=False, quiet=quiet or as_json)
