"""One twin in one line, the same in PREMIS, in the provenance text and in the report."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from schemas.record import TwinRecord


def twin_words(twin: TwinRecord) -> str:
    """Whose bag, verified by which receipt, which chip with which digest, the verdict, and what it lifts."""
    side = f" ({twin['side']})" if twin["side"] else ""
    bears = "bears this chip out" if twin["corroborates"] else "settles and lifts nothing"
    return (
        f"chip {twin['chip']} of {twin['bag']}, receipt {twin['receipt']}, image SHA-256 "
        f"{twin['image_sha256'] or 'none'}: {twin['verdict']}{side}; {bears}"
    )
