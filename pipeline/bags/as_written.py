"""Whether a bag's manifests are, byte for byte, what would be written of its plain files.

Of nearly every bag they are, and then a comparison of bytes says all that reading and comparing their entries
would: each file is listed, with the digest that it has, and nothing else is. Entries that are read take twice
as long and four times the memory. Whatever differs in a single byte, be it only the order of the lines, is
for the judge to read (`validate`).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import compress

from pipeline.bags.observed import Observation, PlainFiles
from pipeline.bags.parse_tag_files import hash_name
from pipeline.bags.write_tag_files import manifest_of

NAMES_AT_ONCE = 1_000
"""So many names are looked through as one text, which then stays in the cache of a core."""
_TO_BE_READ = ("\r", "%", "..", ":", "\n.", "\n ", "\n\t", "\n*", "\n~", "\n\\")
"""In a text of paths, each behind a line end: what would be written otherwise (RFC 8493 section 2.1.3), what
the judge has something to say about, and what some programs read as another path."""


def are_as_written(seen: Observation) -> bool:
    """Whether every manifest lists the plain files of its part of the bag, and nothing else.

    A bag without payload or without a tag manifest, and one that something is to be fetched for, is not
    looked at.

    Args:
        seen: With the plain files' digests.
    """
    of_payload = [name for name in seen.tags if name.startswith("manifest-")]
    of_tags = [name for name in seen.tags if name.startswith("tagmanifest-")]
    payload, tags = seen.plain_payload, _without_tag_manifests(seen.plain_tags)
    if not (of_payload and of_tags and payload.paths) or "fetch.txt" in seen.tags:
        return False
    return (
        {*of_payload} <= {*tags.paths}
        and _needs_no_reading(payload.paths)
        and _needs_no_reading(tags.paths)
        and all(_is_as_written(seen.tags[name], payload, hash_name(name)) for name in of_payload)
        and all(_is_as_written(seen.tags[name], tags, hash_name(name)) for name in of_tags)
    )


def _without_tag_manifests(plain: PlainFiles) -> PlainFiles:
    """What a tag manifest can list."""
    stay = [not path.startswith("tagmanifest-") or "/" in path for path in plain.paths]
    width = sum(plain.widths)
    own = [plain.digests[at * width : (at + 1) * width] for at in range(len(stay))]
    return PlainFiles(
        [*compress(plain.paths, stay)],
        [*compress(plain.sizes, stay)],
        b"".join(compress(own, stay)),
        plain.algorithms,
    )


def _needs_no_reading(paths: Sequence[str]) -> bool:
    for first in range(0, len(paths), NAMES_AT_ONCE):
        some = paths[first : first + NAMES_AT_ONCE]
        text = "\n".join(("", *some))
        if text.count("\n") != len(some) or any(each in text for each in _TO_BE_READ):
            return False
    return True


def _is_as_written(raw: bytes, plain: PlainFiles, algorithm: str) -> bool:
    at = 0
    try:
        for lines in manifest_of(plain, algorithm):
            if not raw.startswith(lines, at):
                return False
            at += len(lines)
    except ValueError:  # an algorithm that is not known here, or a name that is no text
        return False
    return at == len(raw)
