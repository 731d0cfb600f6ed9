"""The command line driven in this process: exit code, standard output, standard error."""

from __future__ import annotations

import contextlib
import io
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.__main__ import run
from schemas.answers import ANSWERS
from schemas.base import follows


@dataclass(frozen=True)
class Ran:
    """How a command ended."""

    code: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        """The one JSON document on standard output, which holds no field that its type does not know."""
        parsed: dict[str, Any] = json.loads(self.out)
        if parsed.get("command") in ANSWERS:
            follows(ANSWERS[parsed["command"]], self.out, unknown="forbid")
        return parsed


def wellread(*arguments: str | Path, encoding: str = "utf-8") -> Ran:
    """Run one command as `wellread …` would, its output written in this encoding."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding=encoding, newline="\n") for _ in range(2))
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = run([str(argument) for argument in arguments])
    return Ran(code, _written(out), _written(err))


def _written(stream: io.TextIOWrapper) -> str:
    stream.flush()
    raw = stream.buffer
    assert isinstance(raw, io.BytesIO)
    return raw.getvalue().decode(stream.encoding)
