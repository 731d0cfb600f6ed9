"""`wellread start`: a sheet drafted from the dumps that lie there, every guess listed to be confirmed."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.bags.portable_names import portable_name
from pipeline.edges.new_file import write_new
from pipeline.edges.project_folder import SHEET_NAME, project_folder, read_file, real, survey
from pipeline.errors import DestinationError, NothingToDoError
from pipeline.formats import Declared, decode, detect
from pipeline.formats.foreign import kind_of_foreign
from schemas.names import as_id

if TYPE_CHECKING:
    from schemas.answers import StartAnswer

_CONVENTION = re.compile(
    r"^(?P<chip>.+)\.(?P<reader>[A-Za-z][A-Za-z0-9_+-]*)\.(?P<number>\d{1,6})(?:\.[A-Za-z0-9]+)?$"
)
_COPY_MARK = re.compile(r"[ _-]*(?:\((\d+)\)|copy(?: \d+)?)$", re.IGNORECASE)


def start_project(folder: Path) -> StartAnswer:
    """What `start --json` prints; writes FOLDER/sheet.yaml and touches nothing else.

    Raises:
        DestinationError: There is a sheet already.
        NothingToDoError: No folder, or no dumps in it.
    """
    root = project_folder(folder)
    if (root / SHEET_NAME).exists():
        raise DestinationError(
            where=str(root / SHEET_NAME),
            problem="there is a sheet already",
            remedy="Edit it, or move it away to start anew",
        )
    files = survey(root)
    found = {path: one for path, one in files.items() if path.startswith("dumps/") or _may_be_a_dump(path)}
    dumps = [path for path, one in found.items() if not one.refused]
    left_out = [(path, one.refused) for path, one in found.items() if one.refused]
    if not dumps:
        raise NothingToDoError(
            where=str(root / "dumps"),
            problem="there are no dump files",
            remedy="Put what your readers wrote into dumps/ and run this again",
        )
    chips: dict[str, list[dict[str, Any]]] = defaultdict(list)
    readings = 0
    for path in dumps:
        content = read_file(root, path)
        elsewhere = _belongs_elsewhere(content)
        if elsewhere:
            left_out.append((path, elsewhere))
            continue
        readings += 1
        chip, reading = _guess(path, content)
        chips[chip].append(reading)
    if not chips:
        raise NothingToDoError(
            where=str(root / "dumps"),
            problem="; ".join(f"{path} is {reason}" for path, reason in left_out[:3]),
            remedy="Put what your readers wrote into dumps/ and run this again",
        )
    _separate(chips)
    text = _sheet(root, chips)
    write_new(root / SHEET_NAME, text.encode("utf-8"))
    return {
        "schema": "wellread/start/1",
        "command": "start",
        "sheet": str(root / SHEET_NAME),
        "chips": len(chips),
        "readings": readings,
        "left_out": [list(one) for one in left_out],
    }


def _belongs_elsewhere(content: bytes) -> str:
    """What a file is that is no dump, and where to move it; nothing is moved. "" where it may be one."""
    name, folder = kind_of_foreign(content)
    if not name:
        return ""
    where = {
        "archive": "unpack it, and put the dumps that are in it into dumps/",
        "download": "download it again",
    }
    return f"{name}: {where.get(folder, f'move it to {folder}/')}"


_NO_DUMPS = frozenset(
    [
        ".yaml",
        ".yml",
        ".csv",
        ".xlsx",
        ".md",
        ".pdf",
        ".jpg",
        ".jpeg",
        ".png",
        ".tif",
        ".tiff",
        ".zip",
        ".gz",
        ".tar",
        ".py",
    ]
)
"""Endings of files beside `dumps/` that are taken for something else."""


def _may_be_a_dump(path: str) -> bool:
    """A file that lies loose in the project folder, beside `dumps/`, and is no sheet, picture or archive."""
    if "/" in path or path.startswith("."):
        return False
    return Path(path).suffix.lower() not in _NO_DUMPS


def _guess(path: str, content: bytes) -> tuple[str, dict[str, Any]]:
    """The chip that a file seems to belong to, and what its content says of it."""
    name = path.removeprefix("dumps/").rsplit("/", 1)[-1]
    found = _CONVENTION.fullmatch(name)
    if found and _is_id(found["chip"]):
        chip, reader = found["chip"], found["reader"]
        by_name = True
    else:
        stem = _COPY_MARK.sub("", name.rsplit(".", 1)[0] if "." in name[1:] else name)
        chip, reader, by_name = _as_id(stem), "unknown-reader", False
    return chip, {"path": path, "reader": reader, "by_name": by_name, **_content(content)}


def _is_id(text: str) -> bool:
    try:
        as_id(text)
    except ValueError:
        return False
    return True


def _as_id(text: str) -> str:
    """The nearest id to any file name."""
    fit = (
        re.sub(r"\.+", ".", re.sub(r"[^A-Za-z0-9_+.-]+", "-", portable_name(text)))
        .strip(".-_+")[:60]
        .strip(".-_+")
    )
    return fit if _is_id(fit) else f"chip-{fit or 'x'}".replace("..", ".")


def _content(content: bytes) -> dict[str, Any]:
    """How many bytes a dump holds, and in which format, where its content says so."""
    from pipeline.errors import FormatError

    formats = detect(content)
    try:
        decoded = decode(content, Declared())
    except FormatError as error:
        return {
            "format": None,
            "units": None,
            "why": f"{error.where}: {error.problem}",
            "candidates": list(formats),
        }
    sizes = {sum(len(block.words) for block in run) for run in decoded.runs}
    return {
        "format": decoded.format,
        "units": max(sizes) if sizes else None,
        "why": "",
        "candidates": list(formats),
    }


def _separate(chips: dict[str, list[dict[str, Any]]]) -> None:
    """Ids that differ only in case are one file name on some systems: number the later ones."""
    seen: dict[str, str] = {}
    for chip in list(chips):
        key = chip.casefold()
        if key in seen:
            number = next(n for n in range(2, 10_000) if f"{key}-{n}" not in seen)
            chips[f"{chip}-{number}"] = chips.pop(chip)
            seen[f"{key}-{number}"] = chip
        else:
            seen[key] = chip


def quoted(text: str) -> str:
    """A YAML scalar in double quotes.

    Any text survives it, and none of it acts on an editor or a terminal.
    """
    import json

    # YAML, unlike JSON, writes what lies beyond 16 bits in one escape, and has none for half a character.
    whole = text.encode("utf-8", "replace").decode()
    return "".join(
        char if char.isprintable() else f"\\U{ord(char):08x}"
        for char in json.dumps(whole, ensure_ascii=False)
    )


def _sheet(root: Path, chips: dict[str, list[dict[str, Any]]]) -> str:
    """The draft as text: every guess stands in `unconfirmed`, where `check` asks for it.

    Text and not a dumped tree, because comments are what guides a person through it.
    """
    readers = sorted({reading["reader"] for readings in chips.values() for reading in readings})
    lines = [
        "# Drafted by `wellread start`. Nothing here has been confirmed on a chip yet.",
        "wellread: 1",
        "machine:",
        f"  id: {quoted(_as_id(real(root).name))}",
        f"  name: {quoted(real(root).name)}",
        "readers:",
    ]
    lines += [f"  {reader}: {{}}    # say its kind: device-programmer or home-built" for reader in readers]
    lines.append("chips:")
    rows: list[str] = []
    # Files of one name in two folders are two readings, which only rows of their own can tell apart.
    names = Counter(
        reading["path"].rsplit("/", 1)[-1].rsplit(".", 1)[0]
        for readings in chips.values()
        for reading in readings
    )
    for chip, readings in chips.items():
        lines.append(f"  - chip: {quoted(chip)}")
        guesses = []
        sizes = {reading["units"] for reading in readings}
        if len(sizes) == 1 and None not in sizes:
            units = sizes.pop()
            lines.append(f"    organisation: {units}x8")
            guesses.append(
                f"organisation {units}x8 from the size of the dump; 16-bit, 4-bit and over-read "
                f"chips look the same"
            )
        else:
            known = sorted(str(size) for size in sizes if size)
            guesses.append(
                f"organisation (the dumps hold {' and '.join(known) or 'an unknown number of'} bytes)"
            )
            largest = max((size for size in sizes if size), default=None)
            smallest = min((size for size in sizes if size), default=None)
            if smallest and largest:
                lines.append(f"    organisation: {smallest}x8")
        if not all(reading["by_name"] for reading in readings):
            guesses.append("which chip, and which reader: guessed from the file's name")
        if any("/" not in reading["path"] for reading in readings):
            guesses.append("that the file beside dumps/ is a dump at all")
        lines.append("    unconfirmed:")
        lines += [f"      - {quoted(guess)}" for guess in guesses]
        for reading in readings:
            once = names[reading["path"].rsplit("/", 1)[-1].rsplit(".", 1)[0]] == 1
            if once and reading["by_name"] and reading["why"] == "" and "/" in reading["path"]:
                continue
            rows.append(
                f"  - {{chip: {quoted(chip)}, reader: {reading['reader']}, file: "
                f"{quoted(reading['path'].removeprefix('dumps/'))}}}"
            )
            if reading["why"]:
                rows.append(
                    f"    # not decoded by its content alone: {reading['why']}; add format: and what "
                    f"else it needs"
                )
    if rows:
        lines += ["readings:", *rows]
    return "\n".join(lines) + "\n"
