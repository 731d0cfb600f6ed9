"""One digest over the program itself: every file that it runs or reads, wherever it was installed."""

from __future__ import annotations

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
        for path in sorted(root.rglob("*")):
            if path.parent.name != COMPILED and path.is_file():
                name = path.relative_to(folder.parent).as_posix().encode()
                content = path.read_bytes()
                digest.update(name + b"\0" + str(len(content)).encode() + b"\0" + content)
    return digest.hexdigest()
