"""Where bags lie: found below folders, and matched with the paths under which the ledger knows them.

A path is compared as it was given, as it is without links, and by the folder itself, which tells two
spellings of one name on a file system that does not tell upper from lower case.
"""
# ruff: noqa: PTH100, PTH118 - text paths, because they are the ledger's keys

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from pipeline.bags.history import Body
from pipeline.edges.one_place import folded, is_one

Memory = Mapping[str, Body]
"""By path, the last row of each bag that the ledger knows."""
_MANIFEST = re.compile(r"manifest-.+\.txt")


class Places(NamedTuple):
    """What is looked at in a run.

    Attributes:
        found: Each bag by the path under which it is remembered, or its real path; and the path by which it
            was asked for or is known, where that is another one.
        below: Paths of the ledger at or below what was given, or to which a link there leads.
        present: Those paths of the ledger at which something still lies.
        unsearched: Folders that cannot be searched: they are among those found, so that it is told, and are
            no bags.
    """

    found: dict[str, str]
    below: dict[str, Body]
    present: set[str]
    unsearched: list[str]

    def may_hold(self, path: str) -> bool:
        """Whether a path lies below a folder that cannot be searched, so that nobody knows what is there."""
        return any(_lies_below(path, folder) for folder in self.unsearched)


class Search(NamedTuple):
    """What a search came by.

    Attributes:
        bags: In order, each with its path as given.
        links: Not followed.
        unsearched: Folders that cannot be searched, which are among the bags as well.
    """

    bags: dict[str, str]
    links: list[str]
    unsearched: list[str]


def look_up(paths: Sequence[Path], known: Memory) -> Places:
    """Find the bags at or below some paths, and what the ledger knows of there.

    Args:
        paths: What a person gave.
        known: The ledger's memory.
    """
    roots = {each for path in paths for each in (os.path.abspath(path), os.path.realpath(path))}
    below = {path: body for path, body in known.items() if any(_lies_below(path, root) for root in roots)}
    present = {path for path in known if os.path.lexists(path)}
    searched = search(paths, {os.path.realpath(path) for path in below if path in present})
    for link in searched.links:
        # A link may lead to a known bag that is gone, which nobody else would say.
        if (real := os.path.realpath(link)) in known:
            below.setdefault(real, known[real])
    spelled = _spellings(known)
    found: dict[str, str] = {}
    for path, given in searched.bags.items():
        same = next((each for each in spelled.get(folded(path), ()) if is_one(each, path)), path)
        found.setdefault(same, given)
    for path in below:
        # Below a folder that is searched links are passed over; one in a known bag's place is looked at.
        if path in present and (real := os.path.realpath(path)) != path:
            found[real] = path
    places = Places(found, below, present, searched.unsearched)
    for path in below:
        if path in present and places.may_hold(path):
            found.setdefault(path, path)
    return places


def search(paths: Iterable[Path], known: set[str]) -> Search:
    """Every bag at or below some paths, as real paths, each once.

    A folder that holds a declaration or a payload manifest is a bag, and bags are not searched for bags. A
    folder with neither is searched; links are not followed and staging folders passed over. A file is taken
    for an archive. A folder that cannot be searched counts as a bag: whoever looks at it tells why, and the
    rest goes on.

    Args:
        paths: What a person gave; a path at which nothing lies counts as a bag, so that its absence is told.
        known: Real paths of known bags, which are looked at even where they no longer look like one.
    """
    result = Search({}, [], [])
    for path in paths:
        real = os.path.realpath(path)
        for bag in _search(real, known, result):
            result.bags.setdefault(bag, os.path.abspath(path) if bag == real else bag)
    return result


def _search(root: str, known: set[str], result: Search) -> Iterator[str]:
    """The bags at or below one real path, and the folders there that cannot be searched; links are noted."""
    if not Path(root).is_dir():
        yield root
        return
    waiting = [root]
    while waiting:
        folder = waiting.pop()
        try:
            with os.scandir(folder) as entries:
                inside = sorted(entries, key=lambda entry: entry.name, reverse=True)
        except OSError:
            if folder not in known:
                result.unsearched.append(folder)
            yield folder
            continue
        if folder in known or any(
            entry.name == "bagit.txt" or _MANIFEST.fullmatch(entry.name) for entry in inside
        ):
            yield folder
            continue
        for entry in inside:
            if entry.path in known and not entry.is_dir(follow_symlinks=False):
                yield entry.path
            elif entry.is_symlink():
                result.links.append(entry.path)
            elif entry.is_dir(follow_symlinks=False) and not _is_staging(entry.name):
                waiting.append(entry.path)


def _is_staging(name: str) -> bool:
    from pipeline.edges.staging import is_staging_name  # whoever names a bag never needs this module

    return is_staging_name(name)


def _lies_below(path: str, root: str) -> bool:
    return path == root or path.startswith(os.path.join(root, ""))


def _spellings(known: Memory) -> dict[str, list[str]]:
    result: dict[str, list[str]] = {}
    for path in known:
        result.setdefault(folded(path), []).append(path)
    return result
