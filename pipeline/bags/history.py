"""What the ledger remembers of a bag against what was found now: changed, moved, vanished, due again.

Pure like every stage: the ledger's rows and the state of the disk come in as values.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, TypeAlias

from pipeline.bags.observed import Trouble, Verdict

if TYPE_CHECKING:
    from schemas.ledger import RowFacts

Body: TypeAlias = Mapping[str, Any]
"""What a row of the ledger tells, of whatever version (`schemas.ledger.LedgerRow` is this one's)."""


def compare(
    bag: str, verdict: Verdict, known: Mapping[str, Body], present: Collection[str]
) -> tuple[tuple[Trouble, ...], str]:
    """Hold a verdict against the memory of this bag.

    A bag whose manifests were rewritten to match altered data passes every check of its own; its receipt is
    then another than the one remembered, and that is an error.

    Args:
        bag: Where it lies.
        verdict: What was found now.
        known: By path, the last row of each bag that the ledger knows.
        present: Those known paths at which something still lies.

    Returns:
        What differs, and a note for the ledger.
    """
    before = known.get(bag)
    if before is not None and before.get("receipt"):
        if before["receipt"] == verdict.receipt:
            return (), f"same receipt as on {before['when']}"
        return (_changed(before),), ""
    same = sorted(
        path
        for path, body in known.items()
        if path != bag and verdict.receipt and body.get("receipt") == verdict.receipt
    )
    if same:
        gone = [path for path in same if path not in present]
        return (), f"moved from {gone[0]}" if gone else f"a copy of {same[0]}"
    identifier = _labelled(verdict, "external-identifier")
    for path, body in sorted(known.items()):
        # Under the same identifier another receipt is another content, wherever the bag lies now and whether
        # or not something stands in its old place: a newer version has a new identifier.
        if identifier and path != bag and body.get("identifier") == identifier and body.get("receipt"):
            return (_changed(body, path),), f"as {path}" if path in present else f"moved from {path}"
    return (), _first_seen(bag, _labelled(verdict, "bag-group-identifier"), known)


def _first_seen(bag: str, group: str, known: Mapping[str, Body]) -> str:
    """The note on a bag that nobody remembers; of the same machine under another identifier it says so."""
    others = sorted(
        path for path, body in known.items() if group and path != bag and body.get("group") == group
    )
    return f"first seen; another bag of {group} is known at {others[0]}" if others else "first seen"


def became_link(path: str, leads_to: str, known: Mapping[str, Body]) -> Trouble | None:
    """What is wrong where a known bag's path has become a link, or leads through one, that it was not before.

    Args:
        path: Where the ledger knows a bag.
        leads_to: Where that leads now, without links.
        known: By path, the last row of each bag that the ledger knows.

    Returns:
        None where it is no link, or where the bag it leads to is remembered with the very receipt.
    """
    receipt = known[path].get("receipt") or "none"
    if path == leads_to or known.get(leads_to, {}).get("receipt") == receipt:
        return None
    return Trouble(
        "",
        "unsafe",
        f"the ledger knows a bag at {path}, which is now a link to {leads_to}: what lies there counts "
        "as another bag until it is accepted",
    )


def _changed(before: Body, path: str = "") -> Trouble:
    of = f" of the bag with this External-Identifier at {path}" if path else ""
    return Trouble(
        "tagmanifest-*.txt",
        "altered",
        f"the receipt is not the one remembered{of} on {before['when']} "
        f"({str(before['receipt'])[:16]}…): the manifests "
        "themselves were changed or rewritten",
    )


def _labelled(verdict: Verdict, wanted: str) -> str:
    """The values of one element of `bag-info.txt`."""
    return "; ".join(value for label, value in verdict.info if label.lower() == wanted)


def body_of_check(bag: str, verdict: Verdict, troubles: tuple[Trouble, ...], note: str) -> RowFacts:
    """What the ledger keeps of a check, without time and tool.

    Args:
        bag: Where the bag lies.
        verdict: What its judge says.
        troubles: What the memory adds.
        note: For a person.
    """
    every = [*verdict.problems, *troubles]
    return {
        "kind": "check",
        "bag": bag,
        "identifier": _labelled(verdict, "external-identifier"),
        "group": _labelled(verdict, "bag-group-identifier"),
        "receipt": verdict.receipt,
        "outcome": "valid" if verdict.valid and not troubles else "invalid",
        "complete": verdict.complete,
        "files": verdict.files,
        "size_bytes": verdict.size_bytes,
        "algorithms": list(verdict.algorithms),
        "problems": [
            {"path": each.path, "kind": each.kind, "severity": each.severity} for each in every[:100]
        ],
        "problem_count": len(every),
        "note": note,
    }


def vanished(
    known: Mapping[str, Body], present: Collection[str], receipts_found: Collection[str]
) -> tuple[str, ...]:
    """Bags that the ledger knows, that are not where they were, and that were not met at another place.

    A bag that was told missing before is told again: it is missing until it is found.
    """
    return tuple(
        sorted(
            path
            for path, body in known.items()
            if path not in present and body.get("receipt") not in receipts_found
        )
    )


def is_due(before: Body | None, now: datetime, days: float) -> bool:
    """Whether a bag is to be checked again.

    What was not valid last time is always due, and so is a bag whose last check lies in the future: one of
    the two clocks is wrong, and a wrong clock must not keep a bag from being checked.

    Args:
        before: The last row of the bag, or None for an unknown one.
        now: The time of this run.
        days: How old a check may be.
    """
    if before is None or before.get("outcome") != "valid":
        return True
    try:
        then = datetime.fromisoformat(str(before.get("when")))
    except ValueError:
        return True
    if then.tzinfo is None:
        then = then.replace(tzinfo=UTC)
    return then > now or now - then >= timedelta(days=days)
