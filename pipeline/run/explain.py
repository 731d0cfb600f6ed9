"""`wellread explain`: what a code or grade means, from the glossary that the READMEs are made from."""

from __future__ import annotations

from pipeline.catalogue.cautions import cautions, heeded
from pipeline.errors import UsageError
from schemas.answers import ExplainAnswer
from schemas.glossary import GLOSSARY
from schemas.meant import meant


def explain(code: str | None) -> ExplainAnswer:
    """What `explain --json` prints: one entry, or all where no code is given.

    Raises:
        UsageError: No finding and no grade has this name.
    """
    if code is not None and code not in GLOSSARY:
        near = " or ".join(f"`wellread explain {one}`" for one in meant(code, GLOSSARY))
        remedy = f"Type {near or '`wellread explain`, which lists all'}"
        raise UsageError(where=code, problem="no finding and no grade has this name", remedy=remedy)
    found = GLOSSARY.values() if code is None else [GLOSSARY[code]]
    return {
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
