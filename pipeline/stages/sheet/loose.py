"""Files in dumps/ that no reading names.

What is wrong with each name, and the name that was most likely meant.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Mapping

from pipeline.flow import Problem
from pipeline.stages.sheet.typed import shown

_SHAPE = re.compile(
    r"(?P<chip>.+)\.(?P<reader>[A-Za-z][\w+-]*)\.(?P<number>[0-9]{1,7})(?P<ext>\.[A-Za-z0-9]+)?", re.ASCII
)


def loose_file(
    path: str,
    chips: Collection[str],
    readers: Mapping[str, object],
    meant: Callable[[str, Iterable[str]], str],
) -> Problem:
    """The caution for one file, which names the part of its name that the sheet does not know.

    Args:
        path: In the project folder.
        chips: Ids of the sheet's chips.
        readers: Readers of the sheet, by id.
        meant: Says which of several names one is most like, or "".
    """
    name = path.rsplit("/", 1)[-1]
    found = _SHAPE.fullmatch(name)
    if found is None:
        close = meant(name.split(".")[0], chips)
        return _caution(
            path,
            "a file that no reading names",
            "a name like CHIP.READER.N.ext, or a row in `readings`",
            close,
        )
    chip, reader = found["chip"], found["reader"]
    rest = f".{found['number']}{found['ext'] or ''}"
    likely = (
        chip if chip in chips else meant(chip, chips),
        reader if reader in readers else meant(reader, readers),
    )
    one = all(likely) and " or " not in "".join(likely)
    name = f"{likely[0]}.{likely[1]}{rest}" if one else ""
    if chip in chips:
        return _caution(
            path,
            f"the reader {shown(reader)}, which `readers` does not list",
            _listed("readers", readers),
            name,
        )
    if reader in readers:
        return _caution(
            path, f"the chip {shown(chip)}, which `chips` does not list", "a chip of the sheet", name
        )
    return _caution(
        path,
        f"the chip {shown(chip)} and the reader {shown(reader)}, of which the sheet lists neither",
        "a chip and a reader of the sheet",
        name,
    )


def _listed(section: str, names: Collection[str]) -> str:
    few = ", ".join(list(names)[:9])
    return f"one of {few}, or `{section}: {{…}}` with this one" if names else f"a reader under `{section}`"


def _caution(path: str, found: str, expected: str, close: str) -> Problem:
    return Problem(path, "", found, expected, close, caution=True)
