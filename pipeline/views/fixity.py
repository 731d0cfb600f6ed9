"""The history of checks for other programs: a table for a spreadsheet, and PREMIS 3.0 fixity-check events."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator

from pipeline.bags.history import Body
from pipeline.views.premis import FOOT, HEAD, term, text

COLUMNS = (
    "number",
    "when",
    "kind",
    "bag",
    "outcome",
    "receipt",
    "files",
    "size_bytes",
    "algorithms",
    "problem_count",
    "problems",
    "note",
    "tool",
    "digest",
)
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What spreadsheets take for the start of a formula, in wide letters too. Source: OWASP, CSV Injection."""
_INNER_FORMULA = re.compile("([;,|])(?=[ ]*[=+@\uff1d\uff0b\uff0d\uff20-])")
"""The same where a spreadsheet of another country, or asked for other separators, begins a cell in the
middle.
"""
Numbered = tuple[int, str, Body]
"""A row's number, its digest, and what it tells."""


def cell(value: object) -> str:
    r"""A table cell that no spreadsheet takes for a formula and no terminal for a command.

    Example:
        >>> cell("=1+1"), cell("plain"), cell("a" + chr(10) + "b")
        ("'=1+1", 'plain', 'a\\nb')
    """
    shown = "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode("ascii")
        for letter in str(value)
    )
    shown = _INNER_FORMULA.sub(r"\1'", shown)
    return f"'{shown}" if str(value).lstrip(" ").startswith(_FORMULA) else shown


def history_csv(rows: Iterable[Numbered]) -> Iterator[str]:
    """The ledger as a table (RFC 4180), one line a row, the column names first.

    Args:
        rows: In their order.

    Yields:
        Lines with their endings.
    """
    yield _line(COLUMNS)
    for number, digest, body in rows:
        told: dict[str, object] = {**body, "number": number, "digest": digest}
        told["algorithms"] = " ".join(body.get("algorithms", ()))
        told["problems"] = "; ".join(f"{each['kind']} {each['path']}" for each in body.get("problems", ()))
        yield _line([told.get(column, "") for column in COLUMNS])


def _line(values: Iterable[object]) -> str:
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\r\n").writerow([cell(value) for value in values])
    return buffer.getvalue()


def history_premis(rows: Iterable[Numbered]) -> Iterator[str]:
    """The ledger's checks and mends as one PREMIS 3.0 document, written as a stream of text.

    Args:
        rows: In their order; those that speak of no bag are left out.

    Yields:
        Parts of an XML document in UTF-8, nothing where there is no bag (a document needs an object).
    """
    events = [(digest, body) for _, digest, body in rows if body.get("bag")]
    if not events:
        return
    yield HEAD
    for bag in sorted({str(body["bag"]) for _, body in events}):
        yield (
            '<object xsi:type="representation"><objectIdentifier>'
            f"{_element('objectIdentifierType', 'path of the bag')}{_element('objectIdentifierValue', bag)}"
            "</objectIdentifier></object>\n"
        )
    for digest, body in events:
        yield _event(digest, body)
    for tool in sorted({str(body.get("tool", "")) for _, body in events}):
        yield (
            f"<agent><agentIdentifier>{_element('agentIdentifierType', 'program and version')}"
            f"{_element('agentIdentifierValue', tool)}</agentIdentifier>{_element('agentName', tool)}"
            f"{term('agentType', 'agentType', 'sof', 'software')}</agent>\n"
        )
    yield FOOT


def _event(digest: str, body: Body) -> str:
    """A row of the ledger as a PREMIS event: a fixity check, a recovery, or a receipt that a person accepted.

    Source: PREMIS 3.0 data dictionary, the Event entity; terms of the Library of Congress' vocabularies.
    """
    kind, good = (
        str(body.get("kind")),
        body.get("outcome") == "valid" or body.get("kind") in {"mend", "accepted"},
    )
    if kind == "mend":
        what = term("eventType", "eventType", "rec", "recovery")
    elif kind == "accepted":
        what = _element("eventType", "receipt accepted")
    else:
        what = term("eventType", "eventType", "fix", "fixity check")
    outcome = (
        term("eventOutcome", "eventOutcome", "suc", "success")
        if good
        else term("eventOutcome", "eventOutcome", "fai", "fail")
    )
    told = [str(body.get("outcome") or kind), f"receipt {body['receipt']}" if body.get("receipt") else ""]
    told += [f"{each['kind']} {each['path']}" for each in body.get("problems", ())]
    told += [f"replaced {path}" for path in body.get("replaced", ())] + [str(body.get("note", ""))]
    note = _element("eventOutcomeDetailNote", "; ".join(part for part in told if part))
    return (
        f"<event><eventIdentifier>{_element('eventIdentifierType', 'SHA-256 of the ledger row')}"
        f"{_element('eventIdentifierValue', digest)}</eventIdentifier>{what}"
        f"{_element('eventDateTime', str(body.get('when', '')))}"
        f"<eventOutcomeInformation>{outcome}<eventOutcomeDetail>{note}</eventOutcomeDetail>"
        "</eventOutcomeInformation>"
        f"<linkingAgentIdentifier>{_element('linkingAgentIdentifierType', 'program and version')}"
        f"{_element('linkingAgentIdentifierValue', str(body.get('tool', '')))}"
        f"{term('linkingAgentRole', 'eventRelatedAgentRole', 'exe', 'executing program')}"
        "</linkingAgentIdentifier>"
        f"<linkingObjectIdentifier>{_element('linkingObjectIdentifierType', 'path of the bag')}"
        f"{_element('linkingObjectIdentifierValue', str(body['bag']))}</linkingObjectIdentifier></event>\n"
    )


def _element(name: str, value: object) -> str:
    return f"<{name}>{text(value)}</{name}>"
