"""Workers and their parent: every task answered once, or the end told; nobody waits for what cannot come."""

from __future__ import annotations

import io
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.edges import worker
from pipeline.edges.worker_pool import Answered, Tasks, WorkerPool, program
from pipeline.errors import ResourceError

ANSWERERS = {
    "doubles": "return lambda message, news: [message * 2]",
    "prints": "return lambda message, news: print('no answer') or [message * 2]",
    "leaves": "import os\n    return lambda message, news: [message] if message < 3 else os._exit(0)",
    "raises": "return lambda message, news: 1 // 0",
    "cannot start": "raise MemoryError",
    "tells": "return lambda message, news: news(7) or [message * 2]",
}
"""Answers are lists: a number alone is news."""


def pool(folder: Path, kind: str, count: int) -> tuple[Tasks[int], WorkerPool[int]]:
    """Workers of a kind at work on the numbers from 1."""
    file = folder / "answering.py"
    file.write_text(f"def answerer(arguments):\n    {ANSWERERS[kind]}\n")
    tasks = Tasks[int]()
    made = WorkerPool(tasks, program(str(file), flags=("-I", "-S")), lambda task: task, where="numbers")
    made.start(count)
    return tasks, made


def answers(tasks: Tasks[int], made: WorkerPool[int], numbers: int) -> list[Answered | int]:
    for number in range(1, numbers + 1):
        tasks.put(number)
    tasks.all_named()
    got: list[Answered | int] = []
    try:
        while made.running:
            if (told := made.next()) is not None:
                got.append(told)
    finally:
        made.close()
    return got


@pytest.mark.parametrize("kind", ["doubles", "prints"])
@pytest.mark.parametrize(("count", "numbers"), [(1, 0), (1, 9), (3, 2), (2, 40)])
def test_every_task_is_answered_once(tmp_path: Path, kind: str, count: int, numbers: int) -> None:
    got = answers(*pool(tmp_path, kind, count), numbers)
    assert sorted(got, key=str) == sorted([Answered(n, [n * 2]) for n in range(1, numbers + 1)], key=str)


def test_news_of_work_that_is_not_finished_comes_before_its_answer(tmp_path: Path) -> None:
    assert answers(*pool(tmp_path, "tells", 1), 2) == [7, Answered(1, [2]), 7, Answered(2, [4])]


@pytest.mark.parametrize("kind", ["leaves", "raises", "cannot start"])
def test_a_worker_that_ends_with_work_undone_is_told_and_not_waited_for(
    tmp_path: Path, kind: str, capfd: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(ResourceError, match="a process of this run was ended"):
        answers(*pool(tmp_path, kind, 2), 9)
    capfd.readouterr()


def test_a_worker_ends_when_nobody_can_send_any_more(tmp_path: Path) -> None:
    file = tmp_path / "answering.py"
    file.write_text("def answerer(arguments):\n    return lambda message, news: message\n")
    done = subprocess.run(
        program(str(file)), stdin=subprocess.DEVNULL, capture_output=True, timeout=60, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")


@given(value=st.one_of(st.binary(), st.lists(st.text())), cut=st.integers(0, 10_000))
def test_a_message_that_breaks_off_is_the_end_and_no_message(value: object, cut: int) -> None:
    whole = io.BytesIO()
    worker.send(whole, value)
    assert worker.receive(io.BytesIO(whole.getvalue())) == value
    assert worker.receive(io.BytesIO(whole.getvalue()[: cut % len(whole.getvalue())])) is None
