"""The digest of the program is of every file that it runs or reads, by names that all installations share."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

import pipeline
from pipeline.edges.program_digest import COMPILED, program_digest


def test_it_is_of_every_file_but_what_an_interpreter_compiled() -> None:
    top = Path(pipeline.__file__).parents[1]
    digest = sha256()
    for folder in ("pipeline", "schemas"):
        files = [
            path for path in (top / folder).rglob("*") if path.is_file() and path.parent.name != COMPILED
        ]
        assert len(files) > 15
        for path in sorted(files, key=str):
            content = path.read_bytes()
            digest.update(f"{path.relative_to(top).as_posix()}\0{len(content)}".encode() + b"\0" + content)
    assert program_digest() == digest.hexdigest()
