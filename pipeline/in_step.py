"""Works of the same steps side by side: one step is done for all of them before the next begins.

What a step needs of the program and its tables then lies close to the processor. Chip after chip, each of
whose steps takes tens of microseconds, the same work takes a third longer.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable
from typing import TypeAlias, TypeVar

T = TypeVar("T")
InSteps: TypeAlias = Generator[None, None, T]
"""A work that stops behind each of its steps; what it returns comes of it."""


def in_step(works: Iterable[InSteps[T]]) -> list[T]:
    """What comes of each work, in their order; one that is done sooner is left out of the steps that follow.

    Example:
        >>> def work(name: str) -> InSteps[str]:
        ...     print(name, "begins")
        ...     yield
        ...     return f"{name} is done"
        >>> in_step([work("one"), work("two")])
        one begins
        two begins
        ['one is done', 'two is done']
    """
    done: dict[int, T] = {}
    going = list(enumerate(works))
    while going:
        left = []
        for number, work in going:
            try:
                next(work)
            except StopIteration as end:
                done[number] = end.value
            else:
                left.append((number, work))
        going = left
    return [done[number] for number in range(len(done))]


def by_itself(work: InSteps[T]) -> T:
    """What comes of one work alone."""
    (done,) = in_step([work])
    return done
