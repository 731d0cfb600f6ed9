"""Which name every file gets inside the bag."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from pipeline.bags.portable_names import name_key, portable_name, unique_names
from pipeline.flow import FoundFile, PlannedChip
from schemas.names import UNPLACED

UNNAMED = "data/readings-unnamed"
"""Dump files that no reading names: kept all the same, since they came off some chip."""


def dump_names(
    chips: Sequence[PlannedChip], files: Mapping[str, FoundFile]
) -> tuple[dict[str, str], dict[str, str], list[str]]:
    """The bag paths of all dump files, and whose worker writes each.

    Returns:
        (project path → bag path, project path → owning chip, dump files that no reading names).
    """
    names: dict[str, str] = {}
    owners: dict[str, str] = {}
    for planned in chips:
        own = [path for reading in planned.readings for path in reading.files if path not in owners]
        own = list(dict.fromkeys(own))
        if not own:
            continue
        folder = f"data/readings/{planned.chip.board or UNPLACED}/{planned.chip.chip}"
        for path, name in _within(own).items():
            names[path] = f"{folder}/{name}"
            owners[path] = planned.chip.chip
    loose = loose_dumps(names, files)
    for path, name in _within(loose).items():
        names[path] = f"{UNNAMED}/{name}"
    return names, owners, loose


def loose_dumps(read: Iterable[str], files: Mapping[str, FoundFile]) -> list[str]:
    """Dump files that no reading names.

    Args:
        read: Paths that readings name.
        files: Everything in the project folder.
    """
    named = frozenset(read)
    return [
        path
        for path, found in files.items()
        if path.startswith("dumps/") and not found.refused and path not in named
    ]


def _within(paths: Sequence[str]) -> dict[str, str]:
    """Portable names within one folder: the file's own name, or its path where two files share one."""
    bases = [path.rsplit("/", 1)[-1] for path in paths]
    keys = [name_key(portable_name(base)) for base in bases]
    users = Counter(keys)
    plain = {
        path: base if users[key] == 1 else path.removeprefix("dumps/").replace("/", "_")
        for path, base, key in zip(paths, bases, keys, strict=True)
    }
    fit = unique_names(plain.values()) if len(set(plain.values())) == len(plain) else {}
    if not fit:
        # `a/b` and `a_b` are one name now; the number says which, and no file is called so by itself.
        full = {path: path.replace("/", "_") for path in paths}
        users = Counter(full.values())
        told = [
            f"{number}/{name}" if users[name] > 1 else name
            for number, name in enumerate(full.values(), start=1)
        ]
        fit = unique_names(told)
        return {path: fit[name] for path, name in zip(paths, told, strict=True)}
    return {path: fit[name] for path, name in plain.items()}


def attachment_names(files: Iterable[str]) -> dict[str, str]:
    """The bag paths of photographs and documents: their own folders, each name made portable.

    Args:
        files: Project paths beneath photos/ and docs/.
    """
    tree: dict[str, set[str]] = {}
    ordered = sorted(files)
    for path in ordered:
        pieces = path.split("/")
        for depth in range(1, len(pieces)):
            tree.setdefault("/".join(pieces[:depth]), set()).add(pieces[depth])
    fit = {folder: unique_names(names) for folder, names in tree.items()}
    out = {}
    for path in ordered:
        pieces = path.split("/")
        named = [pieces[0]]
        named += [fit["/".join(pieces[:depth])][pieces[depth]] for depth in range(1, len(pieces))]
        out[path] = "data/" + "/".join(named)
    return out
