"""The command line: parse, one call into `pipeline.run`, render, exit code. No logic.

Everything but Typer is imported inside the commands, so that `--help` answers at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

app = typer.Typer(
    name="wellread",
    help="From a folder of ROM dumps and a sheet to a verified, archive-ready package, and on to a public bundle.",
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
FormatOption = Annotated[
    str | None, typer.Option("--format", help="Format of the files; by content where not said.")
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
    """From a folder of ROM dumps and a sheet to a verified, archive-ready package, and on to a public bundle."""


def _render(document: dict[str, Any], text: str, *, as_json: bool, quiet: bool = False) -> None:
    from pipeline.edges.console import say, say_json

    if as_json:
        say_json(document)
    elif text and not quiet:
        say(text)


@app.command()
def start(folder: Folder, as_json: Json = False, quiet: Quiet = False) -> None:
    """Draft a sheet from the dumps that lie in FOLDER/dumps; every guess is listed to be confirmed."""
    from pipeline.run.starting import start_project
    from pipeline.views.terminal import started

    document = start_project(folder)
    _render(document, started(document), as_json=as_json, quiet=quiet)


@app.command()
def check(folder: Folder, as_json: Json = False, quiet: Quiet = False) -> None:
    """Check sheet and dumps; write nothing. Exit 1 on problems."""
    from pipeline.run.checking import check_project
    from pipeline.views.terminal import checked

    document = check_project(folder, quiet=quiet or as_json)
    _render(document, checked(document), as_json=as_json, quiet=quiet)
    raise typer.Exit(0 if document["sound"] else 1)


@app.command()
def package(
    folder: Folder,
    into: Annotated[
        Path | None, typer.Option("--into", help="Where the bag goes; beside FOLDER if not said.")
    ] = None,
    strict: Strict = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Run the whole pipeline and write the next version of the machine's bag."""
    from pipeline.run.packaging import package as run_package
    from pipeline.views.terminal import package_json, packaged

    done = run_package(folder, into, quiet=quiet or as_json)
    _render(
        package_json(done), packaged(done, draw=_can_draw()) if not quiet else str(done.bag), as_json=as_json
    )
    raise typer.Exit(1 if strict and done.needing else 0)


def _can_draw() -> bool:
    from pipeline.edges.console import can_draw

    return can_draw()


@app.command()
def examine(
    files: Annotated[list[Path], typer.Argument(help="Dump files of one chip; several are several passes.")],
    part: PartOption = None,
    organisation: OrganisationOption = None,
    form: FormatOption = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Say what could be wrong with these readings of one chip. Exit 1 on a fault."""
    from pipeline.run.looking import examine_files
    from pipeline.views.terminal import examined

    document = examine_files(files, part=part, organisation=organisation, form=form)
    _render(document, examined(document, draw=_can_draw()), as_json=as_json, quiet=quiet)
    raise typer.Exit(1 if any(one["severity"] == "fault" for one in document["findings"]) else 0)


@app.command()
def compare(
    first: Annotated[Path, typer.Argument(help="The reading whose order counts.")],
    second: Annotated[Path, typer.Argument(help="The other reading.")],
    part: PartOption = None,
    organisation: OrganisationOption = None,
    form: FormatOption = None,
    undo: Annotated[
        Path | None, typer.Option("--undo", help="Write the second, brought into the first's order.")
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Say how one reading maps onto another. Exit 0 only when they are identical."""
    from pipeline.run.looking import compare_files

    document, text = compare_files(
        first, second, part=part, organisation=organisation, form=form, undo=undo, draw=_can_draw()
    )
    _render(document, text, as_json=as_json, quiet=quiet)
    raise typer.Exit(0 if document["relation"] == "identical" else 1)


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
    word_order: Annotated[
        str | None, typer.Option("--word-order", help="big or little, for printed 16- and 32-bit groups.")
    ] = None,
    token: Annotated[
        str | None,
        typer.Option("--token", help="hex, octal, decimal, binary or nibble, for lists of numbers."),
    ] = None,
    span: Annotated[
        str | None, typer.Option("--span", help="Longest output in bytes that may be mostly gaps.")
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Turn a dump into binary, Intel HEX or S-records."""
    from pipeline.run.looking import convert_file
    from pipeline.views.terminal import converted

    document = convert_file(
        file,
        to=to,
        output=output,
        form=form,
        fill=fill,
        base=base,
        word_order=word_order,
        token=token,
        span=span,
    )
    _render(document, converted(document), as_json=as_json, quiet=quiet)


@app.command()
def schema(
    name: Annotated[
        str | None, typer.Argument(help="sheet, record, finding, part, or a command's name.")
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Print a JSON Schema; without a name, list which there are."""
    from pipeline.run.schemas import schema_document, schema_names
    from pipeline.views.terminal import schema_list

    del quiet
    if name is None:
        names = schema_names()
        _render(
            {"schema": "wellread/schema/1", "command": "schema", "names": names},
            schema_list(names),
            as_json=as_json,
        )
        return
    from pipeline.edges.console import say_json

    say_json(schema_document(name))


@app.command()
def recheck(
    bags: Annotated[
        list[Path], typer.Argument(help="Bags, folders that hold some, or .zip and .tar files with one.")
    ],
    ledger: Annotated[Path | None, typer.Option("--ledger", help="Remember each check in this file.")] = None,
    due: Annotated[
        float | None, typer.Option("--due", help="Only bags not found valid within so many days.")
    ] = None,
    expect_head: Annotated[
        str, typer.Option("--expect-head", help="A head that an earlier run printed.")
    ] = "",
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Check bags against what they say of themselves, and against the ledger. Exit 1 on any that is not valid."""
    if ledger is None and (due is not None or expect_head):
        raise typer.BadParameter("--due and --expect-head go with --ledger")
    from pipeline.run.rechecking import recheck_document

    document = recheck_document(
        bags, ledger=ledger, due_days=due, expect_head=expect_head, quiet=quiet or as_json
    )
    if as_json or not quiet:
        from pipeline.views.upkeep import rechecked

        _render(document, rechecked(document), as_json=as_json)
    raise typer.Exit(0 if all(bag["valid"] for bag in document["bags"]) else 1)


@app.command(name="ledger")
def show_ledger(
    file: Annotated[Path, typer.Argument(help="The ledger's file.")],
    verify: Annotated[
        bool, typer.Option("--verify", help="Exit 20 unless every row is there as written.")
    ] = False,
    expect_head: Annotated[
        str, typer.Option("--expect-head", help="A head that an earlier run printed.")
    ] = "",
    csv: Annotated[Path | None, typer.Option("--csv", help="Write the history as a table.")] = None,
    premis: Annotated[
        Path | None, typer.Option("--premis", help="Write the history as PREMIS events.")
    ] = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Show the history of checks, and whether it is whole."""
    from pipeline.run.rechecking import ledger_document
    from pipeline.views.upkeep import ledger_shown

    document = ledger_document(file, verify=verify, expect_head=expect_head, csv=csv, premis=premis)
    _render(document, ledger_shown(document), as_json=as_json, quiet=quiet)


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
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Restore damaged files of a bag from copies that verify; the damaged ones are kept beside it."""
    from pipeline.run.rechecking import mend_document
    from pipeline.views.upkeep import mended

    document = mend_document(bag, copies, ledger=ledger, receipt=receipt)
    _render(document, mended(document), as_json=as_json, quiet=quiet)


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
    from pipeline.run.catalogued import show_parts

    document, text = show_parts(name, words=words, bits=bits, pins=pins, kind=kind)
    _render(document, text, as_json=as_json, quiet=quiet)
