"""What a damaged bag can be made whole from: only from bytes that can prove themselves.

1. The *root*: the tag manifests that stand for the whole bag. With a receipt they must have it; without one
   they must be the same in two places, one of them being tied to the damaged bag itself.
2. Every tag file that the root lists is taken from the first place where it has the listed digests: from the
   bag itself if it can be, else from a copy. So the payload manifests become trusted.
3. Every payload file is taken from the first place where it has the digests that these list.
4. A tag manifest that only one place holds is taken if it says of the trusted files what is true of them; an
   untrue one that no copy has is set aside, as are a `fetch.txt` and a manifest that no tag manifest lists.

Two copies with different wounds make one whole. Where anything remains that nothing proves, nothing is
planned.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import new as new_hash
from typing import NamedTuple

from pipeline.bags.observed import REGULAR, Observation, Seen, Verdict
from pipeline.bags.parse_tag_files import Manifest, read_declaration, read_manifest, receipt_of, unsafe_path
from pipeline.errors import MendError

MOST_COMBINATIONS = 4096
_REMEDY = "Nothing was touched; give another copy with --from, or the ledger that remembers the bag"


class RepairPlan(NamedTuple):
    """How a whole bag is put together.

    Attributes:
        receipt: What the whole bag will have.
        take: For every path of the whole bag, the place it comes from: 0 the bag itself, 1 the first copy …
        mended: Paths that come from a copy, sorted.
        set_aside: Paths in the damaged bag that are wrong or nobody lists, kept beside the bag, sorted.
    """

    receipt: str
    take: Mapping[str, int]
    mended: tuple[str, ...]
    set_aside: tuple[str, ...]


def plan(places: Sequence[Observation], *, name: str, receipt: str = "") -> RepairPlan:
    """Work out what to take from where.

    Args:
        places: What was seen of the damaged bag, then of each copy.
        name: The damaged bag, for messages.
        receipt: The receipt that is remembered, or "".

    Returns:
        The plan; with nothing in `mended` and `set_aside` where the bag is whole.

    Raises:
        MendError: No copy can prove itself, or something is proved by none.
    """
    return _Mending(places, name, receipt).plan()


def whole_enough(verdict: Verdict, plan_made: RepairPlan) -> bool:
    """Whether what was built is what was planned: valid, with the very receipt."""
    return verdict.valid and verdict.receipt == plan_made.receipt


@dataclass(slots=True)
class _Proof:
    """Digests that a path must have, by algorithm."""

    digests: dict[str, bytes] = field(default_factory=dict)


class _Mending:
    def __init__(self, places: Sequence[Observation], name: str, receipt: str) -> None:
        self.places = places
        self.name = name
        self.receipt = receipt
        self.files = [{each.path: each for each in place.seen if each.kind == REGULAR} for place in places]
        self.encoding, self.version = _declared(places)
        self.take: dict[str, int] = {}
        self.proofs: dict[str, _Proof] = {}

    def plan(self) -> RepairPlan:
        root = self.remembered_root() if self.receipt else self.agreed_root()
        rooted = [self.parsed(name, raw) for name, raw in root.items() if not self.is_payload_manifest(name)]
        if rooted:
            self.settle(_proofs(rooted))
        manifests = [
            self.parsed(name, self.content(name))
            for name in sorted({*self.take, *root})
            if self.is_payload_manifest(name)
        ]
        if not any(each.entries for each in manifests):
            raise self.failed("no payload manifest can be proved")
        self.settle(_proofs(manifests))
        self.consistent_rest(root)
        return self.planned()

    def is_payload_manifest(self, name: str) -> bool:
        return name.startswith("manifest-") and "/" not in name

    def remembered_root(self) -> dict[str, bytes]:
        """Step 1 with a receipt: the combination of tag manifests that has it."""
        for chosen in (_TAG_MANIFESTS, _ALL_TAGS):
            contents = self.contents(chosen)
            choices = [[None, *holders] for holders in contents.values()]
            for combination in itertools.islice(itertools.product(*choices), MOST_COMBINATIONS):
                root = {name: raw for name, raw in zip(contents, combination, strict=True) if raw is not None}
                if root and receipt_of(root) == self.receipt:
                    self.note_root(root, contents)
                    return root
        raise self.failed(f"no place holds the tag manifests of receipt {self.receipt[:16]}…")

    def agreed_root(self) -> dict[str, bytes]:
        """Step 1 without a receipt: what two places agree on."""
        contents = self.contents(_TAG_MANIFESTS) or self.contents(_PAYLOAD_MANIFESTS)
        root: dict[str, bytes] = {}
        for name, holders in contents.items():
            agreed = [raw for raw, where in holders.items() if len(where) > 1]
            if len(agreed) > 1:
                raise self.failed(f"the copies are of two different bags: their {name} differ")
            if agreed:
                root[name] = agreed[0]
        if not root:
            raise self.failed("no manifest is the same in two places, and no receipt is remembered")
        if not any(0 in contents[name][raw] for name, raw in root.items()) and not self.tied(root):
            raise self.failed("the copies are not proved to be of this bag")
        self.note_root(root, contents)
        return root

    def tied(self, root: Mapping[str, bytes]) -> bool:
        """Whether the damaged bag still holds a payload manifest that the copies' root vouches for."""
        proofs = _proofs([self.parsed(name, raw) for name, raw in root.items()])
        return any(
            self.is_payload_manifest(path) and path in self.places[0].tags and self.proves(0, path, proof)
            for path, proof in proofs.items()
        )

    def contents(self, prefixes: tuple[str, ...]) -> dict[str, dict[bytes, list[int]]]:
        """By name, every content that some place holds, with the places that hold it."""
        result: dict[str, dict[bytes, list[int]]] = {}
        for number, place in enumerate(self.places):
            for name, raw in sorted(place.tags.items()):
                if name.startswith(prefixes):
                    result.setdefault(name, {}).setdefault(raw, []).append(number)
        return result

    def note_root(self, root: Mapping[str, bytes], contents: Mapping[str, Mapping[bytes, list[int]]]) -> None:
        for name, raw in root.items():
            self.take[name] = contents[name][raw][0]

    def parsed(self, name: str, raw: bytes) -> Manifest:
        manifest = read_manifest(name, raw, self.encoding, self.version)
        if not manifest.algorithm or any(not each.warning for each in manifest.complaints):
            raise self.failed(f"{name} cannot be read")
        return manifest

    def content(self, name: str) -> bytes:
        return self.places[self.take[name]].tags[name]

    def settle(self, proofs: Mapping[str, _Proof]) -> None:
        """Steps 2 and 3: each path from the first place that proves it."""
        self.proofs.update(proofs)
        lacking = []
        for path, proof in proofs.items():
            if unsafe_path(path):
                raise self.failed(f"a manifest lists {path!r}, which leads out of the bag")
            place = next((each for each in range(len(self.places)) if self.proves(each, path, proof)), None)
            if place is None:
                lacking.append(path)
            else:
                self.take[path] = place
        if lacking:
            more = f" and {len(lacking) - 3} more" if len(lacking) > 3 else ""
            raise self.failed(f"no copy proves {', '.join(sorted(lacking)[:3])}{more}{self.unread(lacking)}")

    def unread(self, paths: Iterable[str]) -> str:
        """Why the first of these that a copy has and that could not be read there was not, or ""."""
        for files, path in itertools.product(self.files[1:], sorted(paths)):
            if (found := files.get(path)) is not None and found.trouble:
                return f" ({path} lies in a copy, but cannot be read there: {found.trouble})"
        return ""

    def proves(self, place: int, path: str, proof: _Proof) -> bool:
        found = self.files[place].get(path)
        if found is None or found.trouble:
            return False
        known = self.digests(place, path, found, proof.digests)
        return bool(known) and all(proof.digests[name] == digest for name, digest in known.items())

    def digests(self, place: int, path: str, found: Seen, wanted: Iterable[str]) -> dict[str, bytes]:
        observation = self.places[place]
        raw = observation.tags.get(path)
        if raw is not None:
            return {name: new_hash(name, raw, usedforsecurity=False).digest() for name in wanted}
        names = observation.payload_algorithms if path.startswith("data/") else observation.tag_algorithms
        return {
            name: digest for name, digest in zip(names, found.digests, strict=False) if name in set(wanted)
        }

    def consistent_rest(self, root: Mapping[str, bytes]) -> None:
        """Step 4: tag manifests that nobody agreed on, held against the files that are trusted by now."""
        if self.receipt:
            return
        pattern = (
            _TAG_MANIFESTS if any(name.startswith(_TAG_MANIFESTS) for name in root) else _PAYLOAD_MANIFESTS
        )
        for name, holders in self.contents(pattern).items():
            if name in root:
                continue
            true = [raw for raw in holders if self.tells_truth(name, raw)]
            if len(true) == 1:
                self.take[name] = holders[true[0]][0]
            elif pattern != _TAG_MANIFESTS or {0} != {place for where in holders.values() for place in where}:
                raise self.failed(f"no copy proves {name}")
            # Else the agreed ones vouch for all tag files, no copy has one of this name, and it is untrue.

    def tells_truth(self, name: str, raw: bytes) -> bool:
        manifest = read_manifest(name, raw, self.encoding, self.version)
        if not manifest.algorithm or manifest.complaints:
            return False
        inside = {path for path in self.proofs if path.startswith("data/") != manifest.of_tags}
        inside = {path for path in inside if not path.startswith("tagmanifest-")}
        if manifest.entries.keys() != inside:
            return False
        return all(
            self.is_true(path, manifest.algorithm, digest) for path, digest in manifest.entries.items()
        )

    def is_true(self, path: str, algorithm: str, digest: bytes) -> bool:
        """Whether trusted content of this path, wherever it lies, has the digest."""
        return any(
            self.digests(place, path, self.files[place][path], [algorithm]) == {algorithm: digest}
            for place in range(len(self.places))
            if self.proves(place, path, self.proofs[path])
        )

    def planned(self) -> RepairPlan:
        tags = {name: self.content(name) for name in self.take if name in self.places[self.take[name]].tags}
        own = self.files[0]
        for path in own:
            # A tag file that nothing vouches for is nobody's damage: it stays as it is.
            if (
                not path.startswith(("data/", "tagmanifest-"))
                and path not in self.take
                and not self.stray(path)
            ):
                self.take[path] = 0
                if path in self.places[0].tags:
                    tags[path] = self.places[0].tags[path]
        mended = sorted(path for path, place in self.take.items() if place)
        wrong = [each.path for each in self.places[0].seen if self.take.get(each.path, 1)]
        receipt = receipt_of(tags)
        if self.receipt and receipt != self.receipt:
            raise self.failed("what can be put together has another receipt than the one remembered")
        return RepairPlan(receipt, dict(self.take), tuple(mended), tuple(sorted(wrong)))

    def stray(self, path: str) -> bool:
        """Whether nothing vouches for a tag file that changes what the bag must hold, though others are."""
        means_something = path == "fetch.txt" or self.is_payload_manifest(path)
        return means_something and any(name.startswith(_TAG_MANIFESTS) for name in self.take)

    def failed(self, problem: str) -> MendError:
        return MendError(where=self.name, problem=problem, remedy=_REMEDY)


_TAG_MANIFESTS = ("tagmanifest-",)
_PAYLOAD_MANIFESTS = ("manifest-",)
_ALL_TAGS = ("manifest-", "bag")


def _declared(places: Sequence[Observation]) -> tuple[str, str]:
    """Encoding and version, from the first declaration that is well formed."""
    for place in places:
        version, encoding, complaints = read_declaration(place.tags.get("bagit.txt"))
        if not any(not each.warning for each in complaints):
            return encoding, version
    return "utf-8", "1.0"


def _proofs(manifests: Iterable[Manifest]) -> dict[str, _Proof]:
    proofs: dict[str, _Proof] = {}
    for manifest in manifests:
        for path, digest in manifest.entries.items():
            proofs.setdefault(path, _Proof()).digests[manifest.algorithm] = digest
    return proofs
