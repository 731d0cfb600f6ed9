"""`python -m tests.content_accuracy.habits` writes `flow_of_control/habits.py` anew.

It counts how often the programs of the setting half begin an instruction so.

Only counts leave the packages: one character a first byte, a quarter of a nat a step.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control import code_stretches, habits
from pipeline.stages.content.flow_of_control.begins import starts
from pipeline.stages.content.flow_of_control.decode import decode
from pipeline.stages.content.flow_of_control.instruction_mix import kinds
from tests.content_accuracy.cases import CODE, READ_AS
from tests.content_accuracy.programs import Image, images

_PIECE = 2048
_SPREAD = 0.1
"""As much of the whole is spread evenly: what a program never did it may do yet."""
_LINE = 64


def counted(found: Iterable[Image]) -> dict[str, NDArray[np.float64]]:
    """By family: first bytes of instructions in code; a package counts with the root of its size."""
    by_package: dict[tuple[str, str], NDArray[np.float64]] = {}
    for image in (one for one in found if one.family in CODE):
        family = READ_AS.get(image.family, image.family)
        for at in range(0, len(image.data) - _PIECE + 1, _PIECE):
            own = _of_piece(np.ascontiguousarray(image.data[at : at + _PIECE]), family)
            key = family, image.package
            by_package[key] = by_package.get(key, np.zeros(len(own))) + own
    out: dict[str, NDArray[np.float64]] = {}
    for (family, _), own in by_package.items():
        out[family] = out.get(family, np.zeros(len(own))) + np.sqrt(own.sum()) * own / max(1.0, own.sum())
    return out


def _of_piece(data: NDArray[np.uint8], family: str) -> NDArray[np.float64]:
    one = decode(family, data)
    begins = starts(one.length[None], one.flow[None]).begins[0]
    code = np.zeros(len(begins), dtype=bool)
    for start, end in code_stretches(data, family):
        code[start // one.units : end // one.units] = True
    size = 256 if one.units == 1 else 1024
    return np.bincount(kinds(family, data)[begins & code], minlength=size).astype(np.float64)


def told(count: NDArray[np.float64]) -> str:
    """One character a first byte: how many quarters of a nat its share lies below one, from "0" on."""
    share = (1 - _SPREAD) * count / count.sum() + _SPREAD / len(count)
    return "".join(chr(ord("0") + round(float(nats))) for nats in -4 * np.log(share))


def main() -> int:
    """Write the table; 1 where no program could be had."""
    found, _ = images()
    setting = [one for one in found if one.half == "setting"]
    if not setting:
        return 1
    lines = [
        '"""How often programs begin an instruction so: by its first byte, or its word\'s ten highest bits.',
        "",
        'Written by `python -m tests.content_accuracy.habits`; `instruction_mix` says of what. "0" is',
        "always, each character after it a quarter of a nat rarer.",
        '"""',
        "",
        "HABITS = {",
    ]
    for family, count in sorted(counted(setting).items()):
        text = told(count).replace("\\", "\\\\").replace('"', '\\"')
        lines += [f'    "{family}": (']
        lines += [f'        "{text[at : at + _LINE]}"' for at in range(0, len(text), _LINE)]
        lines += ["    ),"]
    path = Path(str(habits.__file__))
    path.write_text("\n".join([*lines, "}", ""]), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
