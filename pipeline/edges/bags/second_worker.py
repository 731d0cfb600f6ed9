"""What the BagIt library says of the hashes of some files of a bag, here or in a process of its own.

A worker (`edges/worker.py`) loads this file by itself, before it knows where the program and the library lie.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple


class Share(NamedTuple):
    """Some entries of a bag's manifests, as the library holds them.

    Attributes:
        bag: The bag's folder.
        entries: Path → algorithm → hash.
        names: Path → the file's name on the disk, where the two are spelled differently.
        algorithms: Of the manifests.
    """

    bag: str
    entries: dict[str, dict[str, str]]
    names: dict[str, str]
    algorithms: list[str]


def complaints_of(share: Share) -> list[str]:
    """What the library finds wrong with these files; each is read and hashed by it."""
    import bagit

    bag = bagit.Bag.__new__(bagit.Bag)
    bag.path, bag.entries, bag.normalized_filesystem_names, bag.algorithms = share
    try:
        bag._validate_entries(1)  # noqa: SLF001 - the library has no other way to look at a part of a bag
    except bagit.BagValidationError as error:
        return [str(detail) for detail in error.details] or [str(error)]
    except (bagit.BagError, ValueError, LookupError, TypeError, AttributeError, OSError) as error:
        return [f"it cannot read the bag: {type(error).__name__}: {error}"]
    return []


def answerer(arguments: Sequence[str]) -> Callable[[Any, object], list[str]]:
    """What a worker does.

    Args:
        arguments: Where the parent looks for modules.

    Returns:
        Makes complaints of a share.
    """
    import logging

    sys.path[:] = arguments
    logging.getLogger("bagit").setLevel(logging.CRITICAL + 1)
    return lambda message, _news: complaints_of(Share(*message))
