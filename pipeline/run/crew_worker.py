"""What a worker for chips answers with: a function over some items, both named by its parent.

A worker (`edges/worker.py`) loads this file by itself, before it knows where the program lies.
"""
# ruff: noqa: S301 - what is unpickled was written by our own parent a moment ago

from __future__ import annotations

import gc
import pickle
import sys
from collections.abc import Callable, Sequence
from importlib import import_module
from typing import Any

_SHARED: dict[str, Any] = {}  # whatever a stage shares; each knows its own


def _shared(path: str) -> Any:
    """What the items of a stage share, read once a process; what the stage before shared is dropped."""
    if path not in _SHARED:
        _SHARED.clear()
        with open(path, "rb") as file:  # noqa: PTH123 - pathlib is not loaded yet
            _SHARED[path] = pickle.load(file)
    return _SHARED[path]


def answerer(arguments: Sequence[str]) -> Callable[[bytes, object], bytes]:
    """What a worker does.

    Args:
        arguments: A module to load at once, or "", and where the parent looks for modules.

    Returns:
        Makes an error, or None, and a list of results of what is done, where that lies which all items share,
        and some items; all of it pickled.
    """
    loads, *sys.path[:] = arguments
    gc.set_threshold(20_000)  # as in `__main__`, which is not loaded here
    if loads:
        import_module(loads)
    return _answer


def _answer(message: bytes, _news: object) -> bytes:
    try:
        work, path, some = pickle.loads(message)
        return pickle.dumps((None, work(_shared(path), some)), pickle.HIGHEST_PROTOCOL)
    except BaseException as error:  # noqa: BLE001 - raised again by the parent
        return pickle.dumps((_as_told(error), None))


def _as_told(error: BaseException) -> BaseException:
    """An error that the parent has words for; any other is a bug, and goes as its traceback."""
    if isinstance(error, OSError | MemoryError) or hasattr(error, "exit_code"):
        return error
    import traceback

    return RuntimeError("in a worker:\n" + "".join(traceback.format_exception(error)))
