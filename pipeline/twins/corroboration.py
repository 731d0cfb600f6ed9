"""When another specimen bears a chip out: every condition by itself, and what each one fails by in words.

A copy that was burned from our own bundle must not bear itself out, and two bags that hold one reading must
not either. So nothing is taken for granted: what is not stated counts as not so.

Source: each condition follows from what independent means (neither comes from the other, nor both from one
hand); which facts of a sheet show it was chosen by us.
"""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.twins.specimen import Dump, Specimen
from pipeline.words import Words

LIFTED_FROM = frozenset(["single", "repeatable"])
"""Grades that another specimen can lift to `corroborated`."""
SOUND = frozenset(["single", "repeatable", "corroborated", "self-checked"])
_ALIKE_BY_FORM = frozenset(["binary", "intel-hex", "s-record"])
"""Formats in which two readers may well write the very same file."""


def against(this: Specimen, other: Specimen, words: Words) -> Iterator[str]:
    """Why the other specimen does not bear this one out, a clause each; none where it does.

    Args:
        this: The chip's own; its content and the other's are the same, word for word.
        other: The other specimen.
        words: That content, shape (words,).
    """
    if bool((words == words[0]).all()):
        yield "the content is blank or one word throughout, which any unread chip gives"
    yield from _images(this, other)
    yield from _originals(this, other)
    yield from _hands(this, other)
    yield from _origin(this, other)


def _images(this: Specimen, other: Specimen) -> Iterator[str]:
    for name, one in (("this", this), ("the other", other)):
        if one.grade not in SOUND or one.absent:
            yield f"{name} image is not settled"
        elif one.held_back:
            yield f"{name} image is held back"
        if not one.devices:
            yield f"{name} record names no reading that bears its image"


def _originals(this: Specimen, other: Specimen) -> Iterator[str]:
    for name, one in (("this chip", this), ("the other", other)):
        if one.original is None:
            yield f"no sheet states {name} to be an original (`original: true`)"
        elif not one.original:
            yield f"{name} is stated to be a copy"


def _hands(this: Specimen, other: Specimen) -> Iterator[str]:
    """Two custodians, two readers, two wirings: each stated, and each another."""
    if not this.custodians or not other.custodians:
        yield "who keeps it is not stated in both bags"
    elif this.custodians & other.custodians:
        yield "both are kept by the same custodian"
    if any(not one.is_another(their) for one in this.devices for their in other.devices):
        yield (
            "both may have been read by the same reader: ids, names or serial numbers do not tell them apart"
        )
    if this.wirings & other.wirings:
        yield "both were read by wirings of one name"


def _origin(this: Specimen, other: Specimen) -> Iterator[str]:
    """Neither comes from the other, nor both from one."""
    serials = this.machine_serial, other.machine_serial
    told_apart = all(serials) and serials[0] != serials[1]
    if this.machine == other.machine and not told_apart:
        yield "both bags name the same machine, and no two serial numbers tell two of them apart"
    elif all(serials) and serials[0] == serials[1]:
        yield "both machines bear the same serial number"
    if (this.origins - {""}) & (other.origins - {""}):
        yield "one bag was made from the other, or both from one"
    copied = {"a dump file lies in both bags"} if _shared(this.dumps, other.dumps) else set()
    if _is_image_of(this.dumps, other) or _is_image_of(other.dumps, this):
        copied.add("a dump file is the other bag's image")
    yield from sorted(copied)


def _shared(these: tuple[Dump, ...], those: tuple[Dump, ...]) -> bool:
    """Whether one file was copied: the same bytes under the same name, or in a form no two readers share."""
    return any(
        one.sha256 == their.sha256
        and ((one.name and one.name == their.name) or one.format not in _ALIKE_BY_FORM)
        for one in these
        for their in those
    )


def _is_image_of(dumps: tuple[Dump, ...], other: Specimen) -> bool:
    """Whether a dump is the other's image by its bytes and its name."""
    return any(one.sha256 == other.sha256 and one.name and one.name == other.image_name for one in dumps)
