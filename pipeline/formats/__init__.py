"""Decoders and encoders of every notation that dumps come in, behind one registry and one neutral result."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.formats.neutral import Block, Declared, Decoded, Forgiven, Place, image

    FORMATS: Mapping[str, str]

__all__ = [
    "FORMATS",
    "Block",
    "Declared",
    "Decoded",
    "Forgiven",
    "Place",
    "decode",
    "detect",
    "encode",
    "image",
    "says_addresses",
]


def decode(content: bytes, declared: Declared | None = None) -> Decoded:
    """A dump as addressed words; see `recognise.decode`."""
    from pipeline.formats import recognise

    return recognise.decode(content, declared)


def detect(content: bytes) -> tuple[str, ...]:
    """Names of the formats that the content can be in, best first; see `recognise.detect`."""
    from pipeline.formats import recognise

    return recognise.detect(content)


def says_addresses(fmt: str) -> bool:
    """Whether files of a format say at which address each word stands; see `registry.FormatEntry`."""
    from pipeline.formats import registry

    return registry.says_addresses(fmt)


def encode(fmt: str, blocks: Sequence[Block], **options: Any) -> bytes:
    """A file of a format; see `encoders.encode`."""
    from pipeline.formats import encoders

    return encoders.encode(fmt, blocks, **options)


def __getattr__(name: str) -> Any:
    """What this package passes on is looked up when it is asked for: the check of a bag needs none of it."""
    if name in __all__ and name != "FORMATS":
        from pipeline.formats import neutral

        return getattr(neutral, name)
    if name == "FORMATS":
        from pipeline.formats import registry

        return registry.FORMATS
    raise AttributeError(name)
