"""`wellread capture`: a reader's stream into the project, raw bytes first, then everything that can be said of them."""

from __future__ import annotations

import re
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.catalogue import load
from pipeline.edges.clock import now
from pipeline.edges.console import Progress, notice
from pipeline.edges.folder import (
    LARGEST_SHEET_BYTES,
    SHEET_NAME,
    need_sheet,
    project_folder,
    read_file,
    survey,
)
from pipeline.edges.serial import Recorder, append, ask, close, open_log, open_port
from pipeline.edges.staging import rename_new
from pipeline.errors import DestinationError, FormatError, NothingToDoError, PortError, SheetError, UsageError
from pipeline.run.looking import examine_files
from pipeline.stages.capturing import Watch
from pipeline.stages.sheet import parse_sheet, read_sheet
from schemas.names import Organisation

UNFINISHED = "capturing"
"""Folder of the project for raw logs that are not readings yet, beside dumps/ so that packaging leaves them alone."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What was asked for on the command line."""

    port: str
    chip: str
    reader: str
    part: str | None
    organisation: str | None
    passes: int
    baud: int
    quiet_seconds: float
    resume: bool
    sitting: str | None
    project: Path


def capture(wish: Wish, *, quiet: bool = False) -> dict[str, Any]:
    """What `capture --json` prints; the reading is in dumps/ and in the sheet.

    Raises:
        PortError: The port cannot be opened, went away, or sends garbage; the raw log survives.
        FormatError: What was captured cannot be decoded; the raw log survives.
        WellreadError: The project, its sheet or the options do not fit.
    """
    if wish.passes < 1 or wish.baud < 1 or wish.quiet_seconds <= 0:
        raise UsageError(
            where="capture", problem="passes, baud and quiet seconds are above zero", remedy="Say so"
        )
    root = project_folder(wish.project)
    organisation = _organisation(root, wish)
    path = _log_path(root, wish)
    port = open_port(wish.port, wish.baud)
    try:
        log = open_log(path, resume=wish.resume)
    except BaseException:
        port.close()
        raise
    watch = Watch(organisation.words, organisation.bits, wish.passes)
    if wish.resume:
        before = read_file(path.parent, path.name)
        if before and not before.endswith(b"\n"):
            # the one byte in a log that no reader sent: without it the cut line would swallow the next one
            append(log, path, b"\n")
            before += b"\n"
        watch.feed(before)
    if not quiet:
        notice(f"Listening on {wish.port} at {wish.baud} baud; every byte goes to {path}")
    recorder = Recorder(port, log, path)
    _follow(recorder, port, watch, wish, path, log, quiet=quiet)
    if path.stat().st_size == 0:
        path.unlink()
        raise NothingToDoError(
            where=wish.port, problem="nothing came from the reader", remedy="Check its power, cable and speed"
        )
    return _finish(root, path, wish, organisation, watch, recorder)


def _organisation(root: Path, wish: Wish) -> Organisation:
    """The chip's organisation, from the options or the sheet; chip and reader must be in the sheet."""
    need_sheet(root)
    document = parse_sheet(read_file(root, SHEET_NAME, limit=LARGEST_SHEET_BYTES), SHEET_NAME)
    files = survey(root)
    tables = {
        name: read_file(root, name, limit=LARGEST_SHEET_BYTES)
        for name in document.tables if name in files and not files[name].refused
    }  # fmt: skip
    plan, problems = read_sheet(document, tables=tables, files=files, catalogue=load())
    if plan is None:
        raise SheetError(
            where=SHEET_NAME, problem="the sheet has problems", remedy="Run `wellread check`",
            problems=tuple(str(one) for one in problems if not one.caution),
        )  # fmt: skip
    planned = next((one for one in plan.chips if one.chip.chip == wish.chip), None)
    if planned is None:
        raise UsageError(
            where="--chip", problem=f"{wish.chip!r} is not in the sheet", remedy="Add it to the sheet's chips"
        )
    if wish.reader not in plan.sheet.readers:
        raise UsageError(
            where="--reader",
            problem=f"{wish.reader!r} is not in the sheet",
            remedy="Add it to the sheet's readers",
        )
    from pipeline.run.looking import kind_of

    said = kind_of(wish.part, wish.organisation).organisation
    if said is not None and planned.organisation is not None and said != planned.organisation:
        raise UsageError(
            where="--organisation", problem=f"{said} is not what the sheet says of {wish.chip}: {planned.organisation}",
            remedy="Correct one of the two",
        )  # fmt: skip
    found = said or planned.organisation
    if found is None:
        raise UsageError(
            where="--organisation", problem=f"the sheet does not say how large {wish.chip} is",
            remedy="Say --part or --organisation",
        )  # fmt: skip
    return found


def _log_path(root: Path, wish: Wish) -> Path:
    """Where the raw stream goes: the unfinished log with --resume, else the next free number."""
    folder = root / UNFINISHED
    folder.mkdir(exist_ok=True)
    (root / "dumps").mkdir(exist_ok=True)
    stem = re.compile(re.escape(f"{wish.chip}.{wish.reader}.") + r"(\d{1,6})(?:\..*)?", re.IGNORECASE)
    left = sorted(one for one in folder.iterdir() if stem.fullmatch(one.name) and one.suffix == ".raw")
    if wish.resume:
        if not left:
            raise UsageError(
                where="--resume",
                problem=f"no unfinished log of {wish.chip} by {wish.reader}",
                remedy="Leave --resume out",
            )
        return left[-1]
    if left:
        raise DestinationError(
            where=str(left[-1]), problem="an unfinished log of this chip is there",
            remedy="Go on with --resume, or move it away",
        )  # fmt: skip
    taken = [
        found
        for place in (folder, root / "dumps")
        for one in place.rglob("*")
        if (found := stem.fullmatch(one.name))
    ]
    number = max((int(found[1]) for found in taken), default=0) + 1
    return folder / f"{wish.chip}.{wish.reader}.{number}.raw"


def _follow(
    recorder: Recorder, port: Any, watch: Watch, wish: Wish, path: Path, log: int, *, quiet: bool
) -> None:
    """Until the passes are there, the line is quiet, or something ends it; then the log is closed, always."""
    progress = Progress(quiet=quiet)
    total = watch.expected * watch.passes
    recorder.start()
    try:
        last, heard = time.monotonic(), False
        while not watch.complete:
            block = recorder.new()
            at = time.monotonic()
            if block is None:
                break
            if block:
                last, heard = at, True
                watch.feed(block)
            _refuse_garbage(watch, wish, path)
            watch.quiet(is_quiet=at - last > 0.3)
            request = watch.requests(at)
            if request:
                ask(port, request)
            progress.show("words:", min(watch.words, total), total)
            # a reader that has not begun yet is waited for ten times as long
            if at - last > wish.quiet_seconds * (1 if heard else 10):
                break
        if watch.complete:
            ask(port, watch.requests(time.monotonic()) or b"!\n")
    except BaseException:
        _stop(recorder, port, log, progress)
        notice(
            f"The raw log is kept: {path} ({recorder.received} bytes of this run). --resume goes on with it"
        )
        raise
    _stop(recorder, port, log, progress)
    if recorder.trouble is not None:
        notice(
            f"The raw log is kept: {path} ({recorder.received} bytes of this run). --resume goes on with it"
        )
        raise recorder.trouble


def _refuse_garbage(watch: Watch, wish: Wish, path: Path) -> None:
    if watch.garbage:
        raise PortError(
            where=wish.port,
            problem=f"what arrives is no text: the reader most likely prints at another speed than {wish.baud} baud",
            remedy=f"Try another --baud; what came is in {path}, move it away first",
        )


def _stop(recorder: Recorder, port: Any, log: int, progress: Progress) -> None:
    recorder.stop()
    progress.done()
    close(port, log)


def _finish(
    root: Path, path: Path, wish: Wish, organisation: Organisation, watch: Watch, recorder: Recorder
) -> dict[str, Any]:
    """Decode, examine, and only then give the log its place in dumps/ and its row in the sheet."""
    try:
        examined = examine_files([path], part=wish.part, organisation=str(organisation), form=None)
    except FormatError:
        notice(
            f"The raw log is kept: {path}. --resume adds another pass to it; or move it away and begin anew"
        )
        raise
    if examined["passes"] < wish.passes:
        said = f"{examined['passes']} of {wish.passes} passes came whole"
        if not wish.resume or examined["passes"] == 0:
            notice(f"{said}; --resume would have gone on, a further capture adds another reading")
    target = root / "dumps" / path.with_suffix(".log").name
    rename_new(path, target)
    row = {"file": target.name, "date": now().day}
    if wish.sitting:
        row["sitting"] = wish.sitting
    from pipeline.run.sheetrow import add_row

    added = add_row(root / SHEET_NAME, row)
    return {
        "schema": "wellread/capture/1", "command": "capture", "port": wish.port, "chip": wish.chip,
        "reader": wish.reader, "file": str(target), "received": recorder.received,
        "worst_stall_ms": round(recorder.worst_stall * 1000, 3), "protocol": watch.protocol,
        "damaged_lines": watch.damaged, "row": row, "row_added": added,
        "examined": {key: value for key, value in examined.items() if key not in ("schema", "command")},
    }  # fmt: skip
