"""Workers on other computers, reached through a Dask scheduler, behind the same `each` as our own processes.

1. The scheduler is reached. Nothing of Dask is imported before somebody asks for one.
2. Each worker proves, before it gets anything to do, that it runs the same program and sees the same bytes at
   the same paths; one that does not is left out, by name.
3. Pieces of work are handed to those that have, two at a time; each piece is proved again where it lies.
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

from pipeline.edges.cluster_worker import Proof, Refusal, do_piece, program, proofs_of, prove, stands
from pipeline.errors import ClusterError

if TYPE_CHECKING:
    from distributed import Client, Future

S = TypeVar("S")
T = TypeVar("T")
R = TypeVar("R")
Work = Callable[[S, Sequence[T]], list[R]]

MOST_KILLED = 3
"""An item that so many workers ended with is not tried again. Chosen by the project."""
_AT_A_WORKER = 2
"""Pieces a worker has: one that it works on, and one that waits so that it never stands idle."""
_CONNECT_SECONDS, _WORKERS_SECONDS, _LOOK_SECONDS = 10.0, 30.0, 0.25
"""How long the scheduler may take to answer, how long a run waits for any worker, how often it looks for new
ones. Chosen by the project."""


class Cluster:
    """A scheduler and its workers; a context.

    Args:
        address: As `dask scheduler` prints it, such as `tcp://192.0.2.7:8786`.
        places: Paths at which every worker has to see what is seen here.
        tell: Told of each worker that is left out.
    """

    def __init__(self, address: str, places: Sequence[str | Path], tell: Callable[[str], None]) -> None:
        self.address, self._tell = address, tell
        self._places = places
        self.present: set[str] = set()
        self._good: set[str] = set()
        self._refused: dict[str, str] = {}
        self._probes: dict[str, tuple[Future[Any], list[Proof]]] = {}
        self._alone_since = time.monotonic()
        self.client: Client

    def __enter__(self) -> Self:
        """Reach the scheduler.

        Raises:
            ClusterError: `distributed` is not installed, or nobody answers there.
        """
        try:
            import distributed
        except ImportError as error:
            raise ClusterError(
                where="--scheduler",
                problem=f"the library distributed cannot be loaded ({error})",
                remedy="Install it with `pip install 'wellread[cluster]'`, here and on every worker",
            ) from error
        _quiet()

        class Client(distributed.Client):  # type: ignore[misc] # its library is partly typed
            def __del__(self) -> None:
                """One that nobody answered has nothing to close, and would wait 20 seconds for it."""

        try:
            self.client = Client(self.address, timeout=_CONNECT_SECONDS, set_as_default=False)
        except (OSError, ValueError, TypeError, RuntimeError) as error:
            raise ClusterError(
                where=self.address,
                problem=f"no scheduler answers there ({' '.join(str(error).split())[:200]})",
                remedy="Start one with `dask scheduler`, and give the address that it prints",
            ) from error
        self._alone_since = time.monotonic()
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
        batch: int = 1,
        stop: Callable[[], None] | None = None,
        patience_seconds: float = 0.0,
    ) -> Generator[R]:
        """`work(shared, batch)` over batches of the items; results in the items' order.

        Args:
            work: A function of a module, so that another process finds it.
            shared: Picklable; the same for all items.
            items: Picklable each.
            places: Of an item: paths that a worker must see as they are seen here.
            lost: The result of an item that ended three workers.
            batch: Items handed over together.
            stop: Called where the run ends early, before anything is waited for.
            patience_seconds: How long to wait then for what is being worked on.

        Raises:
            ClusterError: The scheduler went away, or there is no worker that may work.
        """
        run = _HandingOut(self, work, shared, iter(items), places, lost, batch)
        try:
            yield from run.results()
        except BaseException:
            if stop is not None:
                stop()
            run.end(patience_seconds)
            raise

    def workers(self) -> set[str]:
        """Addresses of the workers that have proved themselves and are there; new ones are asked.

        Raises:
            ClusterError: The scheduler went away, no worker came, or none of those there may work.
        """
        try:
            present = self.present = set(self.client.nthreads())
        except (OSError, TimeoutError, RuntimeError) as error:
            raise self.gone() from error
        for address in present - self._good - self._refused.keys() - self._probes.keys():
            proofs = proofs_of(self._places)
            asked = pickle.dumps((program(), proofs))
            probe = self.client.submit(prove, asked, workers=[address], pure=False)
            self._probes[address] = probe, proofs
        for address, (probe, _) in list(self._probes.items()):
            if probe.done() or address not in present:
                self._heard(address, *self._probes.pop(address), there=address in present)
        self._good &= present
        self._somebody(present)
        return self._good

    def _heard(self, address: str, probe: Future[Any], proofs: list[Proof], *, there: bool) -> None:
        """What a worker said of itself; it is asked once more where it ended, or a folder has changed."""
        if not there:
            probe.cancel()
            return
        if probe.status == "error":
            self.refuse(address, Refusal(address, f"cannot load this program ({probe.exception()})"))
        elif probe.status == "finished":
            try:
                refusal = probe.result(timeout=_CONNECT_SECONDS)
            except TimeoutError:
                return
            if refusal is None:
                self._good.add(address)
            elif not refusal.path or stands(proofs):
                self.refuse(address, refusal)

    def refuse(self, address: str, refusal: Refusal) -> None:
        """Leave a worker out, and say so."""
        self._good.discard(address)
        named = address if refusal.name in address else f"{refusal.name} at {address}"
        self._refused[address] = f"worker {named} {refusal.why}"
        self._tell(f"{self._refused[address]}; it is left out.")

    def _somebody(self, present: set[str]) -> None:
        """Give up where nobody is there to work, or nobody may."""
        if self._good or self._probes:
            self._alone_since = time.monotonic()
            return
        refused = [why for address, why in self._refused.items() if address in present]
        if refused and len(refused) == len(present):
            raise ClusterError(
                where=self.address,
                problem=f"no worker may do this: {'; '.join(refused[:3])}",
                remedy="Let all see the same folders under the same paths, and install the same version",
            )
        if time.monotonic() - self._alone_since > _WORKERS_SECONDS:
            raise ClusterError(
                where=self.address,
                problem=f"has had no worker for {_WORKERS_SECONDS:.0f} seconds",
                remedy=f"Start some with `dask worker {self.address} --nthreads 1`",
            )

    def gone(self) -> ClusterError:
        """What is said where the scheduler answers no more."""
        return ClusterError(
            where=self.address,
            problem="the scheduler went away",
            remedy="What was told until now stands; start it again, and run the rest",
        )


def _quiet() -> None:
    """What the library has to say of lost connections is said by us, once and in our words."""
    for name in list(logging.root.manager.loggerDict):
        if name.split(".")[0] == "distributed":
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)


class _Share(Generic[T]):
    """Items handed over together, the place of the first among all, and how many workers they ended."""

    def __init__(self, first: int, items: list[T], killed: int = 0) -> None:
        self.first, self.items, self.killed = first, items, killed


class _HandingOut(Generic[S, T, R]):
    """One call of `each`: what waits, what is at which worker, and what is done."""

    def __init__(
        self,
        cluster: Cluster,
        work: Work[S, T, R],
        shared: S,
        items: Iterator[T],
        places: Callable[[T], Sequence[str | Path]],
        lost: Callable[[T], R],
        batch: int,
    ) -> None:
        self._cluster, self._work, self._shared, self._items = cluster, work, shared, items
        self._places, self._lost, self._batch = places, lost, batch
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
                self._answered(self._heard.get(timeout=_LOOK_SECONDS))
        while told in self._done:
            yield self._done.pop(told)
            told += 1

    def end(self, patience_seconds: float) -> None:
        """Drop what waits, and wait a while for what is being worked on."""
        deadline = time.monotonic() + patience_seconds
        while self._at and time.monotonic() < deadline:
            with contextlib.suppress(Empty, KeyboardInterrupt):
                self._at.pop(self._heard.get(timeout=_LOOK_SECONDS), None)
        with contextlib.suppress(OSError, TimeoutError, RuntimeError):
            self._cluster.client.cancel(list(self._at), force=True)

    def _next(self) -> _Share[T] | None:
        """The next piece, read from the items only now: nobody holds a million of them."""
        if not self._waiting:
            items = list(islice(self._items, self._batch))
            if not items:
                return None
            self._waiting.append(_Share(self._taken, items))
            self._taken += len(items)
        return self._waiting[0]

    def _hand_out(self) -> bool:
        """Give every worker enough to do; whether there is anything that waits."""
        workers = self._cluster.workers()
        for future, (_, address) in list(self._at.items()):
            if address not in workers:
                self._taken_back(future, killed=address not in self._cluster.present)
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
        asked = pickle.dumps((self._work, self._shared, piece.items, proofs), pickle.HIGHEST_PROTOCOL)
        future = self._cluster.client.submit(do_piece, asked, workers=[address], pure=False)
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
            raise self._cluster.gone()
        try:
            answer = future.result(timeout=_CONNECT_SECONDS)
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
                self._cluster.refuse(address, answer)
            self._waiting.appendleft(piece)  # else it changed while it was on its way: once more
            return
        results: list[R] = pickle.loads(answer)  # noqa: S301 - from a worker that runs our program
        self._done.update(enumerate(results, start=piece.first))

    def _taken_back(self, future: Future[Any], *, killed: bool) -> None:
        """What a worker had is done again; what may have ended it, each item by itself, or it is given up."""
        piece, _ = self._at.pop(future)
        del self._proofs[future]
        future.cancel(force=True)
        if not killed:
            self._waiting.appendleft(piece)
        elif piece.killed + 1 >= MOST_KILLED:
            self._done.update((piece.first + n, self._lost(item)) for n, item in enumerate(piece.items))
        else:
            alone = [_Share(piece.first + n, [item], piece.killed + 1) for n, item in enumerate(piece.items)]
            self._waiting.extendleft(reversed(alone))
