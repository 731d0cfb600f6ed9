"""What was found in a chip's content, said as findings: fills, text, embedded checks."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.catalogue.advice import advise
from pipeline.stages.content.fills import CANNOT_TELL, ON_PURPOSE
from pipeline.stages.content.model import Region, SelfCheck, Vector
from pipeline.stages.content.text import HALF_FIT, WHOLE_FIT
from schemas.finding import Code, Details, Finding, Severity

MOST_RANGES = 64
"""A finding lists so many ranges at most; the regions of the record have all of them."""


def _fill(chip: str, fills: Sequence[Region]) -> Finding:
    """All fills of a chip as one finding; the longest speaks for the sentence."""
    longest = max(fills, key=lambda region: region.end - region.start)
    detail = longest.detail
    ranges = [[region.start, region.end] for region in fills[:MOST_RANGES]]
    evidence: Details = {
        "ranges": ranges,
        "words": sum(region.end - region.start for region in fills),
        "longest": [longest.start, longest.end],
        **{key: value for key, value in detail.items() if key not in {"preview", "why", "means", "decides"}},
        "judged": detail["means"],
    }
    shown = detail.get("word") or " ".join(detail["pattern"])
    also = {
        CANNOT_TELL: "An empty stretch, a fill made on purpose and outputs that were not driven can look the "
        "same",
        ON_PURPOSE: "A stretch that the program wants exactly like this, such as a blank character or a "
        "cleared table",
    }.get(
        detail["means"], "A fill of that value made on purpose, or outputs that were not driven at that level"
    )
    return Finding(
        code=Code.FILL,
        severity=Severity.NOTE,
        chip=chip,
        where={"ranges": ranges},
        evidence=evidence,
        means=f"{shown} from 0x{longest.start:X} to 0x{longest.end - 1:X}, {detail['means']}: "
        f"{detail['why']}",
        also=also,
        next=detail["decides"],
    )


def _text(chip: str, found: Sequence[Region], vectors: Sequence[Vector]) -> Finding:
    """All texts of a chip as one finding."""
    ranges = [[region.start, region.end] for region in found[:MOST_RANGES]]
    kinds = sorted({str(region.detail["text"]) for region in found})
    longest = max(found, key=lambda region: region.end - region.start)
    span = longest.end - longest.start
    evidence: Details = {
        "ranges": ranges,
        "kinds": kinds,
        "letters": sum(int(region.detail["letters"]) for region in found),
        "chance": min(float(region.detail["chance"]) for region in found),
        "shown": [region.detail["preview"] for region in found[:8]],
    }
    split = [str(region.detail["split"]) for region in found if "split" in region.detail]
    if split:
        evidence["split"] = split[0]
    if vectors:
        evidence["vectors"] = [vector.to_json() for vector in vectors[:3]]
    low = max(span.bit_length() - 1, 0)
    whole = longest.detail.get("pair_fit", 0.0) > (HALF_FIT + WHOLE_FIT) / 2
    return Finding(
        code=Code.TEXT,
        severity=Severity.NOTE,
        chip=chip,
        where={"ranges": ranges},
        evidence=evidence,
        means=f"Text ({', '.join(kinds)}), such as {longest.detail['preview']!r}"
        + (f": address lines A0 to A{low - 1} are in order there" if low > 1 and whole else ""),
        also=split[0] if split else "Bytes that only happen to be printable, at the chance given.",
        next=advise("check-text"),
    )


def _self_check(chip: str, check: SelfCheck) -> Finding:
    """One embedded check; a promise that is not kept is a caution."""
    if not check.holds:
        return Finding(
            code=Code.SELF_CHECK,
            severity=Severity.CAUTION,
            chip=chip,
            where={"ranges": [list(span) for span in check.covers]},
            evidence=dict(check.to_json()),
            means=f"The content promises a check that does not hold: {check.method}; {check.why}",
            also="A header that only looks like one, or a check that was never filled in.",
            next=advise("check-fails"),
        )
    stored = f", stored at 0x{check.stored_at[1]:X}" if check.stored_at else ""
    return Finding(
        code=Code.SELF_CHECK,
        severity=Severity.NOTE,
        chip=chip,
        where={"ranges": [list(span) for span in check.covers]},
        evidence=dict(check.to_json()),
        means=f"{check.method}{stored} holds over {', '.join(check.images)}: {check.why}",
        also=f"Coincidence ({check.tried} schemes were tried); blind to {'; '.join(check.blind_to)}",
        next=advise("nothing" if check.lifts else "check-holds"),
    )


def _worth_a_word(check: SelfCheck) -> bool:
    """Whether a check says anything: beyond chance, the only one that a header names, or promised in vain."""
    return check.beyond_chance or check.tried == 1 or not check.holds


def content_findings(
    chip: str, found: Sequence[Region], checks: Sequence[SelfCheck] = (), vectors: Sequence[Vector] = ()
) -> tuple[Finding, ...]:
    """The codes `fill`, `text` and `self-check` of one chip, at most one fill and one text finding each.

    Args:
        chip: Its id.
        found: Its regions.
        checks: Checks that cover it, alone or with others.
        vectors: Its vectors, kept beside the text as evidence of order.

    Returns:
        Notes, but for promised checks that fail, which are cautions. Nothing is raised.
    """
    out = []
    fills = [region for region in found if region.kind == "fill"]
    texts = [region for region in found if region.kind == "text"]
    if fills:
        out.append(_fill(chip, fills))
    if texts:
        out.append(_text(chip, texts, vectors))
    out += [_self_check(chip, check) for check in checks if chip in check.images and _worth_a_word(check)]
    return tuple(out)
