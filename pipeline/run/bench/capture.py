"""`wellread capture`: a reader's stream into the project, raw bytes first, then what they say."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, cast

from pipeline.bench.stream import DONE, Watch
from pipeline.catalogue import load
from pipeline.edges.clock import now
from pipeline.edges.console import can_draw, notice
from pipeline.edges.disk_errors import storage_trouble
from pipeline.edges.flush import sync_folder
from pipeline.edges.names import rename_new
from pipeline.edges.progress import Progress
from pipeline.edges.project_folder import SHEET_NAME, project_folder, read_file
from pipeline.edges.serial import (
    Recorder,
    append,
    ask,
    close,
    ends_a_line,
    in_use,
    open_log,
    open_port,
    overruns,
)
from pipeline.errors import (
    DestinationError,
    FormatError,
    NothingToDoError,
    PartError,
    PortError,
    SheetError,
    StorageError,
    UsageError,
    WellreadError,
)
from pipeline.flow import PlannedChip
from pipeline.formats import Declared, decode
from pipeline.result import Result
from pipeline.run.bench.captured import Took, advice, problems_of, understand
from pipeline.run.bench.sheet_row import add_row
from pipeline.run.look.files import examine_files, kind_of
from pipeline.run.package.open_project import read_project
from pipeline.views.terminal import captured
from schemas.names import Organisation
from schemas.sheet import Reader

if TYPE_CHECKING:
    from schemas.answers import CaptureAnswer, Examined

UNFINISHED = "capturing"
"""Folder of the project for raw logs that are not readings yet, beside dumps/ so that packaging leaves them
alone.
"""

QUIET_ENOUGH_TO_ASK = 0.3
"""Seconds without a byte after which a lost trailer may be asked for."""

WAITS_FOR_THE_FIRST = 10
"""How many times as long a reader is waited for that has not begun."""

MOST_LOOKS = 4
"""Passes' worth of words, for each pass wanted, after which a plain reader that never stops is no longer
followed.
"""


class CaptureWish(NamedTuple):
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
    wiring: str | None = None


class Chosen(NamedTuple):
    """What the sheet says of the chip and the reader, the options weighed in."""

    organisation: Organisation
    part: str | None
    reader: Reader


def capture(
    wish: CaptureWish, *, quiet: bool = False, driver_lost: Callable[[Any], int | None] = overruns
) -> Result[CaptureAnswer]:
    """What `capture` says; the reading is in dumps/ and in the sheet.

    Args:
        wish: What was asked for.
        quiet: Say nothing while it runs.
        driver_lost: Bytes that the driver of a port has lost by its own count, or None where it keeps none.

    Raises:
        PortError: The port cannot be opened, went away, or sends garbage; the raw log survives.
        FormatError: What was captured cannot be decoded; the raw log survives.
        WellreadError: The project, its sheet or the options do not fit.
    """
    if wish.passes < 1 or wish.baud < 1 or not wish.quiet_seconds > 0:
        raise UsageError(
            where="capture",
            problem="passes, baud and quiet seconds must be above zero",
            remedy="Say numbers above zero",
        )
    root = project_folder(wish.project)
    chosen = _chosen(root, wish)
    path = _log_path(root, wish)
    watch = Watch(chosen.organisation.words, chosen.organisation.bits, wish.passes)
    log = None
    if wish.resume:
        log = open_log(path, resume=True)
        watch.feed(read_file(path.parent, path.name))
        if watch.complete or (not watch.protocol and _has_passes(path, watch)):
            os.close(log)
            return _finish(root, path, wish, chosen, watch, Took(0, None, None))
    try:
        port = open_port(wish.port, wish.baud)
        since = time.monotonic()
    except BaseException:
        if log is not None:
            os.close(log)
        raise
    try:
        if log is not None:
            path, log, watch = _gone_on_with(root, path, log, wish, watch)
        else:
            log = open_log(path, resume=False)
    except BaseException:
        port.close()
        raise
    lost_before = driver_lost(port)
    recorder = Recorder(port, log, path, since=since)
    lost = _follow(recorder, port, watch, wish, path, log, driver_lost, quiet=quiet)
    took = Took(
        recorder.received,
        recorder.worst_stall,
        None if lost is None or lost_before is None else lost - lost_before,
    )
    if took.received == 0:
        _nothing_came(wish, path)
    return _finish(root, path, wish, chosen, watch, took)


def chosen_for(wish: CaptureWish) -> Chosen:
    """What a capture would take the chip for, before any port is opened.

    Raises:
        WellreadError: The project, its sheet or the options do not fit.
    """
    return _chosen(project_folder(wish.project), wish)


def _gone_on_with(
    root: Path, path: Path, log: int, wish: CaptureWish, watch: Watch
) -> tuple[Path, int, Watch]:
    """The log to go on with, and what it has so far.

    In protocol form it is the unfinished one. Plain printing shows nobody where it was cut, so that another
    pass behind a torn one could be read as its end: there a log of its own begins, and the unfinished one is
    kept aside.
    """
    size = path.stat().st_size
    if size and not watch.protocol:
        aside = path.with_suffix(".cut")
        with storage_trouble(path):
            rename_new(path, aside)
        os.close(log)
        path = _log_path(root, wish._replace(resume=False))
        notice(
            f"What had come is plain printing, in which a cut cannot be mended: kept as {aside}; "
            f"this run starts again"
        )
        fresh = Watch(watch.expected, watch.bits, watch.passes)
        return path, open_log(path, resume=False), fresh
    if size and not ends_a_line(path):
        # the one byte in a log that no reader sent: without it the cut line would swallow the next one
        append(log, path, b"\n")
        watch.feed(b"\n")
    return path, log, watch


def _nothing_came(wish: CaptureWish, path: Path) -> None:
    left = path.stat().st_size
    if not left:
        path.unlink()
    kept = f"; what had come before is kept in {path}" if left else ""
    raise NothingToDoError(
        where=wish.port,
        problem=f"nothing came from the reader{kept}",
        remedy="Check that it has power and prints, the cable, and --baud",
    )


def _chosen(root: Path, wish: CaptureWish) -> Chosen:
    """The chip's organisation and part, from the options or the sheet.

    Chip and reader must be in the sheet.
    """
    project = read_project(root)
    plan = project.plan
    if plan is None:
        raise SheetError(
            where=SHEET_NAME,
            problem="the sheet has problems",
            remedy="Run `wellread check`",
            problems=tuple(str(one) for one in project.problems if not one.caution),
        )
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
    said = kind_of(wish.part, wish.organisation).organisation
    if said is not None and planned.organisation is not None and said != planned.organisation:
        raise UsageError(
            where="--organisation",
            problem=f"{said} is not what the sheet says of {wish.chip}: {planned.organisation}",
            remedy="Correct one of the two",
        )
    found = said or planned.organisation
    if found is None:
        raise UsageError(
            where="--organisation",
            problem=f"the sheet does not say how large {wish.chip} is",
            remedy="Say --part or --organisation",
        )
    return Chosen(found, wish.part or _catalogued(planned, found), plan.sheet.readers[wish.reader])


def _catalogued(planned: PlannedChip, organisation: Organisation) -> str | None:
    """The catalogue's name of the chip's part, so that faults are named by pin.

    None where it has no such part.
    """
    if planned.part is None or planned.part.organisation != organisation:
        return None
    try:
        found = load().find(planned.part.part)
    except PartError:
        return None
    return found.part if found == planned.part else None


def _log_path(root: Path, wish: CaptureWish) -> Path:
    """Where the raw stream goes: the unfinished log with --resume, else the next free number."""
    folder = root / UNFINISHED
    with storage_trouble(folder):
        folder.mkdir(exist_ok=True)
        (root / "dumps").mkdir(exist_ok=True)
        sync_folder(root)
    stem = re.compile(re.escape(f"{wish.chip}.{wish.reader}.") + r"(\d{1,6})(?:\..*)?", re.IGNORECASE)
    taken = {
        one: int(found[1])
        for place in (folder, root / "dumps")
        for one in place.rglob("*")
        if (found := stem.fullmatch(one.name))
    }
    left = sorted(
        (one for one in taken if one.parent == folder and one.suffix == ".raw"), key=lambda one: taken[one]
    )
    if wish.resume:
        if not left:
            raise UsageError(
                where="--resume",
                problem=f"no unfinished log of {wish.chip} by {wish.reader}",
                remedy="Leave --resume out",
            )
        return left[-1]
    if left and in_use(left[-1]):
        raise DestinationError(
            where=str(left[-1]),
            problem="another capture is writing to this log",
            remedy="Let it end, or stop it",
        )
    if left:
        raise DestinationError(
            where=str(left[-1]),
            problem="an unfinished log of this chip is there",
            remedy="Go on with --resume, or move it away",
        )
    return folder / f"{wish.chip}.{wish.reader}.{max(taken.values(), default=0) + 1}.raw"


def _follow(
    recorder: Recorder,
    port: Any,
    watch: Watch,
    wish: CaptureWish,
    path: Path,
    log: int,
    driver_lost: Callable[[Any], int | None],
    *,
    quiet: bool,
) -> int | None:
    """Until the passes are there, the line is quiet, or something ends it; then the log is closed, always.

    Returns:
        The driver's count of lost bytes at the end.
    """
    progress = Progress(quiet=quiet)
    try:
        recorder.start()
        if not quiet:
            notice(f"Listening on {wish.port} at {wish.baud} baud; every byte goes to {path}")
        _listen(recorder, port, watch, wish, path, progress)
        recorder.stop()
        lost = driver_lost(port)
        close(port, log)
    except BaseException:
        _give_up(recorder, port, log, progress)
        _say_kept(path, recorder, watch)
        raise
    finally:
        progress.done()
    if recorder.trouble is not None and not _all_there(recorder, watch, path):
        _say_kept(path, recorder, watch)
        raise recorder.trouble
    return lost


def _all_there(recorder: Recorder, watch: Watch, path: Path) -> bool:
    """Whether everything wanted had come before the trouble.

    A reader pulled out after its last pass is none.
    """
    if watch.protocol or not isinstance(recorder.trouble, PortError):
        return watch.complete
    return watch.words >= watch.expected * watch.passes and _has_passes(path, watch)


def _listen(
    recorder: Recorder, port: Any, watch: Watch, wish: CaptureWish, path: Path, progress: Progress
) -> None:
    """Follow the stream until it is complete, has ended, or nothing comes any more.

    The reader is asked again only for what came damaged, and only while it is quiet: asked in between, it
    would lose what it is about to print. A plain stream that prints on is looked at after each further pass,
    a few times.
    """
    total = watch.expected * watch.passes
    last, heard, looks = time.monotonic(), False, 0
    while not watch.complete:
        at = time.monotonic()  # before the look: a machine that lets this process wait makes no line quiet
        block = recorder.new()
        if block is None:
            return
        if block:
            last, heard = at, True
            watch.feed(block)
        if watch.complete:
            break
        if watch.garbage:
            raise _garbage(wish, path)
        watch.quiet(is_quiet=at - last > QUIET_ENOUGH_TO_ASK)
        request = watch.requests(at)
        if request:
            ask(port, request)
        progress.show("words received", min(watch.words, total), total)
        # a reader that has not begun yet is waited for ten times as long
        if at - last > wish.quiet_seconds * (1 if heard else WAITS_FOR_THE_FIRST):
            return
        if watch.prints_on and watch.words >= watch.expected * (watch.passes + 1 + looks):
            looks += 1
            if looks > MOST_LOOKS * watch.passes or _has_passes(path, watch):
                return
    ask(port, DONE)


def _has_passes(path: Path, watch: Watch) -> bool:
    """Whether the passes wanted are in a log of plain printing that goes on and on.

    Its last line may be torn.
    """
    content = read_file(path.parent, path.name, steady=False)
    declared = Declared(bits=watch.bits, words=watch.expected)
    try:
        runs = decode(content[: content.rfind(b"\n") + 1], declared).runs
    except FormatError:
        return False
    words = [sum(len(block.words) for block in run) for run in runs]
    return sum(count // watch.expected for count in words) >= watch.passes


def _garbage(wish: CaptureWish, path: Path) -> PortError:
    return PortError(
        where=wish.port,
        problem=(
            f"what arrives is not text: the reader most likely prints at another speed than {wish.baud} baud"
        ),
        remedy=f"Try another --baud, with --resume; what came is kept in {path}",
    )


def _give_up(recorder: Recorder, port: Any, log: int, progress: Progress) -> None:
    """End in the middle of it: whatever else goes wrong here is less than what is being told already."""
    progress.done()
    recorder.stop()
    with suppress(WellreadError, OSError):
        close(port, log)


def _say_kept(path: Path, recorder: Recorder, watch: Watch) -> None:
    if not path.stat().st_size:
        path.unlink()
        return
    # from the log, as --resume will look at it: the last of what came may not have been followed yet
    kept = Watch(watch.expected, watch.bits, watch.passes)
    with suppress(OSError):
        kept.feed(path.read_bytes())
    then = "goes on with it" if kept.protocol else "starts again and keeps it"
    notice(f"The raw log is kept: {path} ({recorder.received} bytes of this run). --resume {then}")


def _finish(
    root: Path, path: Path, wish: CaptureWish, chosen: Chosen, watch: Watch, took: Took
) -> Result[CaptureAnswer]:
    """Decode, examine, and only then give the log its place in dumps/ and its row in the sheet."""
    target = root / "dumps" / path.with_suffix(".log").name
    if watch.garbled:
        raise _garbage(wish, path)
    try:
        understood = understand(path, wish.chip, chosen.organisation, chosen.reader)
        examined = examine_files(
            [path], part=chosen.part, organisation=str(chosen.organisation), reader=chosen.reader
        )
    except FormatError as error:
        for line in advice(error, watch, path, target, wish.baud):
            notice(line)
        raise
    with storage_trouble(path):
        rename_new(path, target)
        for folder in (target.parent, path.parent):
            sync_folder(folder)
    row = {"file": target.name, "date": now().day}
    if wish.sitting:
        row["sitting"] = wish.sitting
    if wish.wiring:
        row["wiring"] = wish.wiring
    problems = problems_of(understood, watch, wish.passes, took.lost)
    added = False
    try:
        added = add_row(root / SHEET_NAME, row)
    except StorageError as error:
        problems.append(f"the sheet could not be added to: {error}")
    found = cast(
        "Examined", {key: value for key, value in examined.items() if key not in ("schema", "command")}
    )
    found["files"] = [str(target)]
    document: CaptureAnswer = {
        "schema": "wellread/capture/1",
        "command": "capture",
        "port": wish.port,
        "chip": wish.chip,
        "reader": wish.reader,
        "file": str(target),
        "received": took.received,
        "worst_stall_ms": None if took.stall is None else round(took.stall * 1000, 3),
        "driver_lost": took.lost,
        "protocol": watch.protocol,
        "damaged_lines": watch.damaged,
        "passes_asked": wish.passes,
        "passes_whole": understood.whole,
        "told": list(understood.told),
        "problems": problems,
        "row": row,
        "row_added": added,
        "examined": found,
        "cautions": found["cautions"],
        "deference": found["deference"],
    }
    return Result(document, captured(document, draw=can_draw()))
