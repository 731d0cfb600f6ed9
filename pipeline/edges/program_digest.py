"""One digest over the program itself: every file that it runs or reads, wherever it was installed."""

from __future__ import annotations

import os
from collections.abc import Iterator
from functools import cache
from hashlib import sha256
from pathlib import Path

import pipeline

COMPILED = "__pycache__"


@cache
def program_digest() -> str:
    """Of the sources, and of the catalogue, templates and schemas that lie among them.

    Raises:
        OSError: They cannot be read, such as where the program runs out of an archive.
    """
    folder = Path(pipeline.__file__).parent
    digest = sha256()
    for root in (folder, folder.parent / "schemas"):
        for path in sorted(_files(str(root))):
            name = path[len(str(folder.parent)) + 1 :].replace(os.sep, "/").encode()
            with open(path, "rb", buffering=0) as file:  # noqa: PTH123 - as below
                content = file.read()
            digest.update(name + b"\0" + str(len(content)).encode() + b"\0" + content)
    return digest.hexdigest()


def _files(folder: str) -> Iterator[str]:
    """Paths of all files, at any depth, that no interpreter has compiled.

    Plain names, since `Path` takes longer to list and sort the program's than it takes to digest them.
    """
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_dir(follow_symlinks=False):
                if entry.name != COMPILED:
                    yield from _files(entry.path)
            elif entry.is_file():
                yield entry.path
