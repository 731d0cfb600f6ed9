"""Compiled templates, kept as Python keeps compiled modules: in its folder `__pycache__`, beside the source.

Compiling them took a tenth of packaging a small project. What lies there is taken only for the very text of
the template, of the engine's version and of the code that compiles, by the Python that wrote it, and whole.
Where nothing can be written, or Python was told to write no byte code, templates are compiled each time.
"""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from hashlib import sha256
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import TYPE_CHECKING

from jinja2 import BytecodeCache

if TYPE_CHECKING:
    from jinja2.bccache import Bucket

_DIGEST_BYTES = 32


class Compiled(BytecodeCache):
    """The engine's store: a file for each template, which the engine holds against text and Python's version.

    Args:
        folder: Python's own for compiled modules.
        compiler: Whatever else decides what a template is compiled to; with another one nothing is found.
    """

    def __init__(self, folder: Path, compiler: bytes) -> None:
        self.folder = folder
        self._prefix = f"template-{sha256(compiler).hexdigest()[:16]}"

    def load_bytecode(self, bucket: Bucket) -> None:
        """Takes what is there; what cannot be read, or is cut off, counts as not there."""
        with suppress(OSError):
            content = self._path(bucket).read_bytes()
            code = content[_DIGEST_BYTES:]
            if sha256(code).digest() == content[:_DIGEST_BYTES]:
                bucket.bytecode_from_string(code)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keeps a template for the next run; trouble with the disk is none of the report's."""
        if sys.dont_write_bytecode:
            return
        code = bucket.bytecode_to_string()
        with suppress(OSError), NamedTemporaryFile(dir=self.folder, suffix=".new", delete=False) as new:
            try:
                new.write(sha256(code).digest() + code)
                new.close()
                os.replace(new.name, self._path(bucket))  # noqa: PTH105 - both lie in one folder
            except OSError:
                Path(new.name).unlink()

    def _path(self, bucket: Bucket) -> Path:
        return self.folder / f"{self._prefix}-{bucket.key}.jinja"
