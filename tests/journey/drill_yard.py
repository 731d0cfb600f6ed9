"""A process that has loaded the program once and forks for each drill: a start takes longer than a run.

The forked child is a process like any other: it is traced, counted, killed by the kernel. Only the loading of
modules, which writes nothing, is not repeated a thousand times. Asked and answered in lines of JSON over
pipes: `python -m tests.journey.drill_yard` is the other side of `Yard`.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from tests.journey.drilled import PROGRAMS, warm
from tests.journey.drilling import Run, Step, drill

ROOT = Path(__file__).parents[2]


class Yard:
    """The process, while a block lasts."""

    def __enter__(self) -> Self:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.journey.drill_yard"],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            # One thread alone: what is forked is then all there is.
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"},
        )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait()
        self._process.stdout.close()

    def drill(self, program: str, arguments: Sequence[str], watched: Path, **how: Any) -> Run:
        """As `drilling.drill`, of a program of `drilled.PROGRAMS`."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        asked = {"program": program, "arguments": list(arguments), "watched": str(watched), "how": how}
        self._process.stdin.write(json.dumps(asked) + "\n")
        self._process.stdin.flush()
        answer = json.loads(self._process.stdout.readline())
        if "refused" in answer:
            raise OSError(answer["refused"])
        answer["steps"] = [Step(*each) for each in answer["steps"]]
        return Run(**answer)


def _serve() -> None:
    with tempfile.TemporaryDirectory() as place, contextlib.redirect_stdout(io.StringIO()):
        warm(Path(place))
    for line in sys.stdin:
        asked = json.loads(line)
        program, arguments = PROGRAMS[asked["program"]], asked["arguments"]
        try:
            done = drill(lambda: program(arguments), Path(asked["watched"]), **asked["how"])  # noqa: B023 - called at once
            answer = {
                "status": done.status,
                "output": done.output,
                "steps": [[each.call, each.path] for each in done.steps],
                "reached": done.reached,
            }
        except OSError as error:
            answer = {"refused": str(error)}
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    _serve()
