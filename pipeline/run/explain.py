"""`wellread explain`: what a code or grade means, from the glossary that the READMEs are made from."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.catalogue.cautions import cautions, heeded
from pipeline.errors import UsageError
from pipeline.result import Result
from pipeline.views.glossary import explained
from schemas.answers import ExplainAnswer
from schemas.glossary import GLOSSARY
from schemas.meant import meant


def explain(codes: Sequence[str]) -> Result[ExplainAnswer]:
    """What `explain` says: the entries that were asked for, or all where none was.

    Raises:
        UsageError: No finding and no grade has this name.
    """
    for code in codes:
        if code in GLOSSARY:
            continue
        near = " or ".join(f"`wellread explain {one}`" for one in meant(code, GLOSSARY))
        remedy = f"Type {near or '`wellread explain`, which lists all'}"
        raise UsageError(where=code, problem="no finding and no grade has this name", remedy=remedy)
    found = [GLOSSARY[code] for code in dict.fromkeys(codes)] if codes else GLOSSARY.values()
    document: ExplainAnswer = {
        "schema": "wellread/explain/1",
        "command": "explain",
        "entries": [
            {
                "kind": one.kind,
                "name": one.name,
                "what": one.what,
                "told": one.told,
                "also": one.also,
                "do": one.do,
            }
            for one in found
        ],
        **heeded(cautions(None)),
    }
    return Result(document, explained(document, whole=bool(codes)))
