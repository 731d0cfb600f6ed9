"""`python -m tests.fuzz_formats`: the decoders under coverage-guided bytes.

By hand: needs `atheris` beside the project.

The inputs that atheris invents go to `decode` undeclared and under one declaration; anything but words or a
located refusal stops the run, and atheris keeps the input. Options are those of libFuzzer, such as
`-max_total_time=300` and a folder to keep what was found new.
"""

from __future__ import annotations

import contextlib
import sys

import atheris

with atheris.instrument_imports(include=["pipeline.formats"]):
    from pipeline.formats import FORMATS, Declared, registry

    for name in FORMATS:
        registry.decoder(name)

from pipeline.errors import FormatError
from tests.kit.format_writers import WRITERS
from tests.property.test_format_fuzz import answer

DECLARED = (
    *(Declared(format=name) for name in sorted(FORMATS)),
    *(Declared(token=token) for token in ("hex", "octal", "decimal", "binary", "nibble")),
    *(Declared(bits=bits, word_order=order) for bits in (4, 12, 16, 32) for order in ("big", "little")),
    *(Declared(address=radix, gaps=True, words=64) for radix in ("hex", "octal", "decimal")),
    Declared(limit=64),
)


def answered(content: bytes, declared: Declared) -> None:
    """Decode; a refusal must have a place, a problem and a remedy."""
    found = answer(content, declared)
    if isinstance(found, FormatError):
        assert found.where.startswith(("line ", "offset 0x")), found.where
        assert found.problem
        assert found.remedy
        return
    for run in found.runs:
        assert run
        for block in run:
            assert block.address >= 0
            assert declared.limit is None or block.end <= declared.limit


def one_input(content: bytes) -> None:
    """The first byte chooses the declaration, so that atheris finds its way into each decoder."""
    if content:
        answered(content[1:], DECLARED[content[0] % len(DECLARED)])
        answered(content[1:], Declared())


def seeds(folder: str) -> None:
    """One well-formed file a notation, as what atheris starts from."""
    from pathlib import Path

    Path(folder).mkdir(parents=True, exist_ok=True)
    for name, write in WRITERS.items():
        content, _ = write(bytes(range(40)))
        Path(folder, name).write_bytes(b"\xff" + content)


if __name__ == "__main__":
    folders = [one for one in sys.argv[1:] if not one.startswith("-")]
    with contextlib.suppress(IndexError):
        seeds(folders[0])
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()
