"""Workers on other computers, reached through a Dask scheduler, behind the same `each` as our own processes.

1. The scheduler is reached. Nothing of Dask is imported before somebody asks for one.
2. Each worker proves, before it gets anything to do, that it runs the same program and sees the same bytes at
   the same paths; one that does not is left out, by name.
3. Pieces of work are handed to those that have, two at a time; each piece is proved again where it lies. A
   piece is as many items as take about a tenth of a second: its way there and back takes a hundredth.
4. Results come back in the order of the items. Only the caller writes what stays: ledger, index, final names.
5. What a worker was doing when it ended is done by another one, each item by itself and nothing beside it, so
   that an item that ends three workers is known; it is reported, and the rest goes on.
6. Whoever ends the run early ends all that waits.

Source: the client's interface of `distributed`, https://distributed.dask.org/en/stable/client.html.
"""

from __future__ import annotations

import contextlib
import logging
import pickle
import time
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, Generic, Self, TypeVar

from pipeline.edges.cluster_members import ANSWER_SECONDS, LOOK_SECONDS, WORKERS_SECONDS, Members
from pipeline.edges.cluster_worker import Proof, Refusal, do_piece, proofs_of, stands
from pipeline.errors import ClusterError

if TYPE_CHECKING:
    from distributed import Client, Future

S = TypeVar("S")
T = TypeVar("T")
R = TypeVar("R")
Work = Callable[[S, Sequence[T]], list[R]]

MOST_KILLED = 3
"""An item that so many workers ended with is not tried again. Chosen by the project."""
_A_PIECE = 1 - 1e-9
"""The weight of a piece, but for what adding many small ones up may lose."""
_AT_A_WORKER = 2
"""Pieces a worker has: one that it works on, and one that waits so that it never stands idle."""


class Cluster:
    """A scheduler and its workers; a context.

    Args:
        address: As `dask scheduler` prints it, such as `tcp://192.0.2.7:8786`.
        places: Paths at which every worker has to see what is seen here.
        tell: Told of each worker that is left out.
        patience_seconds: How long to wait for any worker.
        answer_seconds: How long the scheduler may take to answer.
    """

    def __init__(
        self,
        address: str,
        places: Sequence[str | Path],
        tell: Callable[[str], None],
        *,
        patience_seconds: float = WORKERS_SECONDS,
        answer_seconds: float = ANSWER_SECONDS,
    ) -> None:
        self.address, self._tell = address, tell
        self._answer_seconds = answer_seconds
        self._places, self._patience_seconds = places, patience_seconds
        self.client: Client
        self.members: Members

    def __enter__(self) -> Self:
        """Reach the scheduler.

        Raises:
            ClusterError: `distributed` is not installed, or the scheduler cannot be reached.
        """
        try:
            import distributed  # noqa: F401 - only whether it is there
        except ImportError as error:
            raise ClusterError(
                where="--scheduler",
                problem=f"the library distributed cannot be loaded ({error})",
                remedy="Install it from the clone with `pip install '.[cluster]'`, here and on every worker",
            ) from error
        from pipeline.edges.cluster_reach import reached

        _quiet()
        self.client = reached(self.address, self._answer_seconds)
        self.members = Members(self.client, self.address, self._places, self._tell, self._patience_seconds)
        return self

    def __exit__(self, *ended: object) -> None:
        with contextlib.suppress(OSError, TimeoutError, RuntimeError):
            self.client.close(timeout=2)

    def each(
        self,
        work: Work[S, T, R],
        shared: S,
        items: Iterable[T],
        *,
        places: Callable[[T], Sequence[str | Path]],
        lost: Callable[[T], R],
        weight: Callable[[T], float] = lambda _: 1.0,
        tell: Callable[[T, int], None] | None = None,
        stop: Callable[[], None] | None = None,
        patience_seconds: float = 0.0,
    ) -> Generator[R]:
        """`work(shared, some)` over pieces of the items; results in the items' order, as they come.

        Args:
            work: A function of a module, so that another process finds it.
            shared: Picklable; the same for all items.
            items: Picklable each.
            places: Of an item: paths that a worker must see as they are seen here.
            lost: The result of an item that ended three workers.
            weight: What part of a piece an item is; so many are handed over together as make up one.
            tell: Told each item that is done, in whatever order, and how many workers there are.
            stop: Called where the run ends early, before anything is waited for.
            patience_seconds: How long to wait then for what is being worked on.

        Raises:
            ClusterError: The scheduler went away, or there is no worker that may work.
        """
        run = _HandingOut(self.members, (work, shared), iter(items), places, lost, weight, tell)
        try:
            yield from run.results()
        except BaseException:
            if stop is not None:
                stop()
            run.end(patience_seconds)
            raise


def _quiet() -> None:
    """What the library has to say of lost connections is said by us, once and in our words.

    Nor is what the event loop, which nobody else uses here, says of its dropped tasks.
    """
    for name in list(logging.root.manager.loggerDict):
        if name.split(".")[0] in {"distributed", "asyncio"}:
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)


class _Share(Generic[T]):
    """Items handed over together, the place of the first among all, and how many workers they ended."""

    def __init__(self, first: int, items: list[T], killed: int = 0) -> None:
        self.first, self.items, self.killed = first, items, killed


class _HandingOut(Generic[S, T, R]):
    """One call of `each`: what waits, what is at which worker, and what is done."""

    def __init__(
        self,
        members: Members,
        work: tuple[Work[S, T, R], S],
        items: Iterator[T],
        places: Callable[[T], Sequence[str | Path]],
        lost: Callable[[T], R],
        weight: Callable[[T], float],
        tell: Callable[[T, int], None] | None,
    ) -> None:
        self._members, self._work, self._items = members, work, items
        self._places, self._lost, self._weight, self._tell = places, lost, weight, tell
        self._waiting: deque[_Share[T]] = deque()
        self._taken = 0
        self._at: dict[Future[Any], tuple[_Share[T], str]] = {}
        self._proofs: dict[Future[Any], list[Proof]] = {}
        self._done: dict[int, R] = {}
        self._heard: SimpleQueue[Future[Any]] = SimpleQueue()

    def results(self) -> Iterator[R]:
        """The results, in order."""
        told = 0
        while self._hand_out() or self._at or self._waiting:
            while told in self._done:
                yield self._done.pop(told)
                told += 1
            with contextlib.suppress(Empty):
                self._answered(self._heard.get(timeout=LOOK_SECONDS))
        while told in self._done:
            yield self._done.pop(told)
            told += 1

    def end(self, patience_seconds: float) -> None:
        """Drop what waits, and wait a while for what is being worked on."""
        deadline = time.monotonic() + patience_seconds
        while self._at and time.monotonic() < deadline:
            with contextlib.suppress(Empty, KeyboardInterrupt):
                self._at.pop(self._heard.get(timeout=LOOK_SECONDS), None)
        with contextlib.suppress(OSError, TimeoutError, RuntimeError):
            self._members.client.cancel(list(self._at), force=True)

    def _next(self) -> _Share[T] | None:
        """The next piece, read from the items only now: nobody holds a million of them."""
        if not self._waiting:
            items: list[T] = []
            weighs = 0.0
            while weighs < _A_PIECE and (some := list(islice(self._items, 1))):
                items += some
                weighs += self._weight(some[0])
            if not items:
                return None
            self._waiting.append(_Share(self._taken, items))
            self._taken += len(items)
        return self._waiting[0]

    def _hand_out(self) -> bool:
        """Give every worker enough to do; whether there is anything that waits."""
        # What may have ended a worker is not given to one that has just gone: it would be blamed again.
        workers = self._members.workers(fresh=any(share.killed for share in self._waiting))
        for future, (_, address) in list(self._at.items()):
            if address not in workers:
                self._taken_back(future, killed=address not in self._members.present)
        load: dict[str, list[_Share[T]]] = {address: [] for address in workers}
        for had, address in self._at.values():
            load[address].append(had)
        for address in sorted(workers, key=lambda one: len(load[one])):
            while len(load[address]) < _AT_A_WORKER and (piece := self._next()):
                # What may have ended a worker is worked on with nothing beside it, so that it is known.
                if load[address] and (piece.killed or any(one.killed for one in load[address])):
                    break
                load[address].append(self._waiting.popleft())
                self._submit(piece, address)
        return self._next() is not None

    def _submit(self, piece: _Share[T], address: str) -> None:
        proofs = proofs_of(path for item in piece.items for path in self._places(item))
        asked = pickle.dumps((*self._work, piece.items, proofs), pickle.HIGHEST_PROTOCOL)
        future = self._members.client.submit(do_piece, asked, workers=[address], pure=False)
        self._at[future], self._proofs[future] = (piece, address), proofs
        future.add_done_callback(self._heard.put)

    def _answered(self, future: Future[Any]) -> None:
        """One piece came back, or did not.

        Raises:
            ClusterError: The scheduler dropped it.
        """
        if future not in self._at:
            return
        from distributed import KilledWorker

        if future.status == "lost":
            # It was done, and its worker ended before the result was fetched.
            self._taken_back(future, killed=False)
            return
        if future.status == "cancelled":
            raise self._members.gone()
        try:
            answer = future.result(timeout=ANSWER_SECONDS)
        except KilledWorker:
            self._taken_back(future, killed=True)
            return
        except TimeoutError:
            # Done, but where it is nobody says: the next look at the workers will tell.
            self._heard.put(future)
            return
        piece, address = self._at.pop(future)
        proofs = self._proofs.pop(future)
        if isinstance(answer, Refusal):
            if stands(proofs):
                self._members.refuse(address, answer)
            self._waiting.appendleft(piece)  # else it changed while it was on its way: once more
            return
        results: list[R] = pickle.loads(answer)  # noqa: S301 - from a worker that runs our program
        self._finished(piece, results)

    def _finished(self, piece: _Share[T], results: Iterable[R]) -> None:
        self._done.update(enumerate(results, start=piece.first))
        if self._tell is not None:
            for item in piece.items:
                self._tell(item, self._members.count)

    def _taken_back(self, future: Future[Any], *, killed: bool) -> None:
        """What a worker had is done again; what may have ended it, each item by itself, or it is given up."""
        piece, _ = self._at.pop(future)
        del self._proofs[future]
        future.cancel(force=True)
        if not killed:
            self._waiting.appendleft(piece)
        elif piece.killed + 1 >= MOST_KILLED:
            self._finished(piece, [self._lost(item) for item in piece.items])
        else:
            alone = [_Share(piece.first + n, [item], piece.killed + 1) for n, item in enumerate(piece.items)]
            self._waiting.extendleft(reversed(alone))
