"""Who of a scheduler's workers may work: each proves itself, and one that may not is left out by name."""

from __future__ import annotations

import pickle
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.edges.cluster_worker import Proof, Refusal, program, proofs_of, prove, stands
from pipeline.errors import ClusterError

if TYPE_CHECKING:
    from distributed import Client, Future

WORKERS_SECONDS, LOOK_SECONDS = 30.0, 0.25
"""How long a run waits for any worker, and how often it looks for new ones. Chosen by the project."""
ANSWER_SECONDS, PROOF_SECONDS = 10.0, 120.0
"""How long the scheduler may take to answer, and the only workers there are to prove themselves, which may be
at work for somebody else. Chosen by the project."""
_POLL_SECONDS = 0.02


class Members:
    """The workers of one scheduler, as they come, prove themselves and go.

    Args:
        client: Connected.
        address: Of the scheduler.
        places: Paths at which every worker has to see what is seen here.
        tell: Told of each worker that is left out.
        patience_seconds: How long to wait for any worker.
    """

    def __init__(
        self,
        client: Client,
        address: str,
        places: Sequence[str | Path],
        tell: Callable[[str], None],
        patience_seconds: float,
    ) -> None:
        self.client, self.address, self._tell = client, address, tell
        self._places, self._patience_seconds = places, patience_seconds
        self.present: set[str] = set()
        self._good: set[str] = set()
        self._refused: dict[str, str] = {}
        self._probes: dict[str, tuple[Future[Any], list[Proof]]] = {}
        self._alone_since = self._looked = time.monotonic()

    def first(self) -> None:
        """Wait until one of them may work.

        Raises:
            ClusterError: As `workers` raises it.
        """
        while not self.workers(fresh=True):
            time.sleep(_POLL_SECONDS)

    def workers(self, *, fresh: bool = False) -> set[str]:
        """Addresses of the workers that have proved themselves and are there; new ones are asked.

        Args:
            fresh: Ask the scheduler now; else what it said a moment ago will do.

        Raises:
            ClusterError: The scheduler went away, no worker came, or none of those there may work.
        """
        now = time.monotonic()
        if self._good and not fresh and now - self._looked < LOOK_SECONDS:
            return self._good
        self._looked = now
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

    @property
    def count(self) -> int:
        """How many there were at the last look that may work."""
        return len(self._good)

    def _heard(self, address: str, probe: Future[Any], proofs: list[Proof], *, there: bool) -> None:
        """What a worker said of itself; it is asked once more where it ended, or a folder has changed."""
        if not there:
            probe.cancel()
            return
        if probe.status == "error":
            self.refuse(address, Refusal(address, f"cannot load this program ({probe.exception()})"))
        elif probe.status == "finished":
            try:
                refusal = probe.result(timeout=ANSWER_SECONDS)
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
        now = time.monotonic()
        if self._good:
            self._alone_since = now
        if self._good or (self._probes and now - self._alone_since < PROOF_SECONDS):
            return
        refused = [why for address, why in self._refused.items() if address in present]
        if refused and len(refused) == len(present):
            raise ClusterError(
                where=self.address,
                problem=f"no worker may do this: {'; '.join(refused[:3])}",
                remedy="Let all workers see the same folders under the same paths, and install the same "
                "version on each",
            )
        if self._probes:
            raise ClusterError(
                where=self.address,
                problem=f"none of its workers has answered for {PROOF_SECONDS:g} seconds",
                remedy="See whether they are at work for somebody else, and whether their storage answers",
            )
        if now - self._alone_since > self._patience_seconds:
            raise ClusterError(
                where=self.address,
                problem=f"has had no worker for {self._patience_seconds:g} seconds",
                remedy=f"Start some with `dask worker {self.address} --nthreads 1`",
            )

    def gone(self) -> ClusterError:
        """What is said where the scheduler answers no more."""
        return ClusterError(
            where=self.address,
            problem="the scheduler went away",
            remedy="What was printed so far stands; start the scheduler again, and run the rest",
        )
