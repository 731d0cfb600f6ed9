"""Which lines of the program each test reaches, and how long it takes: recorded once, kept in a file."""

from __future__ import annotations

import functools
import gc
import hashlib
import json
import os
import time
from pathlib import Path
from typing import TypedDict

import coverage
import pytest
from _pytest.runner import runtestprotocol

from tests.mutation.changes import ROOT, Change


class Reached(TypedDict):
    """What one test does, as it ran on the unchanged program.

    Attributes:
        seconds: Of processor time, with that of its fixtures and of the recording.
        passed: A test that fails without a change says nothing about one.
        lines: By file of the program.
    """

    seconds: float
    passed: bool
    lines: dict[str, list[int]]


class Record(TypedDict):
    """The file; `digests` are those of every file, of tests and program, that the rest was made from."""

    digests: dict[str, str]
    tests: dict[str, Reached]


def record(items: list[pytest.Item], kept: Path) -> dict[str, Reached]:
    """What each test reaches; only the new ones run, and those whose own text or program has changed."""
    old: Record = json.loads(kept.read_text("utf-8")) if kept.exists() else {"digests": {}, "tests": {}}
    fresh = {name: each for name, each in old["tests"].items() if _is_fresh(name, each, old["digests"])}
    wanted = [item for item in items if item.nodeid not in fresh]
    if wanted:
        print(f"recording what {len(wanted)} of {len(items)} tests reach", flush=True)
        fresh |= _run(wanted, kept.with_suffix(".part"))
        sources = {item.nodeid.partition("::")[0] for item in items}
        sources |= {file for each in fresh.values() for file in each["lines"]}
        new: Record = {"digests": {name: _digest(name) for name in sorted(sources)}, "tests": fresh}
        kept.write_text(json.dumps(new), "utf-8")
    return fresh


def reaching(change: Change, reached: dict[str, Reached]) -> list[str]:
    """The tests that reach the changed statement, the quickest first."""
    lines = set(change.lines)
    found = [
        (each["seconds"], name)
        for name, each in reached.items()
        if each["passed"] and not lines.isdisjoint(each["lines"].get(change.file, ()))
    ]
    return [name for _, name in sorted(found)]


def _is_fresh(name: str, reached: Reached, digests: dict[str, str]) -> bool:
    files = (name.partition("::")[0], *reached["lines"])
    return all(digests.get(file) == _digest(file) for file in files)


def _digest(file: str, seen: dict[str, str] = {}) -> str:  # noqa: B006 - kept on purpose: files stay as they are
    if file not in seen:
        path = ROOT / file
        seen[file] = hashlib.sha256(path.read_bytes()).hexdigest() if path.exists() else ""
    return seen[file]


def _run(items: list[pytest.Item], result: Path) -> dict[str, Reached]:
    """In a process of its own, so that caches which the tests fill are empty again for the changes."""
    child = os.fork()
    if child == 0:
        result.write_text(json.dumps(_recorded(items)), "utf-8")
        os._exit(0)
    os.waitpid(child, 0)
    reached: dict[str, Reached] = json.loads(result.read_text("utf-8"))
    result.unlink()
    return reached


def _recorded(items: list[pytest.Item]) -> dict[str, Reached]:
    traced = coverage.Coverage(data_file=None, config_file=False, include=[str(ROOT / "pipeline" / "*")])
    out: dict[str, Reached] = {}
    held = caches()
    traced.start()
    for item, following in zip(items, [*items[1:], None], strict=True):
        traced.switch_context(item.nodeid)
        # A change is tried with empty caches: a test reaches what it would then have to work out itself.
        for one in held:
            one.cache_clear()
        begin = time.process_time()
        passed = run(item, following)
        out[item.nodeid] = {"seconds": time.process_time() - begin, "passed": passed, "lines": {}}
    traced.stop()
    found = traced.get_data()
    for file in found.measured_files():
        name = Path(file).relative_to(ROOT).as_posix()
        for line, contexts in found.contexts_by_lineno(file).items():
            for context in contexts:
                if context in out:
                    out[context]["lines"].setdefault(name, []).append(line)
    return out


def run(item: pytest.Item, following: pytest.Item | None) -> bool:
    """Whether a test passes; of its fixtures those are taken down that the next one has no use for."""
    reports = runtestprotocol(item, log=False, nextitem=following)
    return not any(report.failed for report in reports)


def caches() -> list[functools._lru_cache_wrapper[object]]:
    """The program's caches: what was worked out before knows nothing of a change."""
    return [
        one
        for one in gc.get_objects()
        if isinstance(one, functools._lru_cache_wrapper)
        and one.__module__.startswith(("pipeline", "schemas"))
    ]
