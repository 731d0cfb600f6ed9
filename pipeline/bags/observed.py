"""Values in flight about bags: what was seen on a disk, and what a judge says of it.

These live apart from `flow.py` because checking ten thousand files must not wait for numpy to load.
"""

from __future__ import annotations

from array import array
from itertools import chain
from operator import itemgetter
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

from pipeline.bags.parse_tag_files import DIGEST_BYTES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from schemas.record import AttachmentRecord

Kind = Literal["missing", "altered", "unexpected", "undeclared", "malformed", "unsafe", "incomplete"]
"""What is wrong with one path of a bag; a public contract of `recheck --json`."""
Weight = Literal["warning", "error"]

_MOVED_AT_ONCE = 1_000
"""Digests that are put in order together: as one list all of a large bag's take more than its paths."""
REGULAR: Final = "regular"
"""The only kind of thing besides a directory that a bag may hold."""


class BagEntry(NamedTuple):
    """One file that truly landed inside a bag, and the digests of the bytes that were written.

    Attributes:
        path: Inside the bag, `/` between the names.
        size_bytes: How many bytes were written.
        sha256: Lower-case hex.
        sha512: Lower-case hex.
    """

    path: str
    size_bytes: int
    sha256: str
    sha512: str


def file_record(entry: BagEntry, original: str | None = None) -> AttachmentRecord:
    """The file as the record tells of it, with the name that it had in the project."""
    return {
        "path": entry.path,
        "original_name": original,
        "size_bytes": entry.size_bytes,
        "sha256": entry.sha256,
        "sha512": entry.sha512,
    }


class Seen(NamedTuple):
    """One thing found inside a bag's folder or archive.

    Attributes:
        path: Inside the bag, `/` between the names; bytes that are no text are kept as lone surrogates.
        kind: `regular`, `link`, `fifo`, `socket`, `device` or `other`.
        size_bytes: Bytes read while hashing, or listed where nothing was read.
        digests: Raw digests in the order of the observation's algorithms for that part of the bag.
        links: How many names the file has on its file system (1 = this one only).
        trouble: Why it could not be read, or "".
    """

    path: str
    kind: str
    size_bytes: int
    digests: tuple[bytes, ...] = ()
    links: int = 1
    trouble: str = ""


class PlainFiles(NamedTuple):
    """Files that are regular, could be read and have one name, in columns: a `Seen` takes half a kilobyte.

    Attributes:
        paths: Inside the bag, sorted.
        sizes: Bytes that each holds.
        digests: Raw digests of each in the order of the algorithms, all of one file before the next one's.
        algorithms: hashlib names.
    """

    paths: Sequence[str] = ()
    sizes: Sequence[int] = ()
    digests: bytes | bytearray = b""
    algorithms: tuple[str, ...] = ()

    def each(self) -> Iterator[Seen]:
        """One after the other."""
        widths, at = self.widths, 0
        for path, size_bytes in zip(self.paths, self.sizes, strict=True):
            own = []
            for width in widths:
                own.append(bytes(self.digests[at : at + width]))
                at += width
            yield Seen(path, REGULAR, size_bytes, tuple(own))

    def in_order(self) -> PlainFiles:
        """The same sorted, as manifests list them: the order of code points is that of UTF-8 bytes."""
        paths, sizes, digests, _ = self
        ordered = sorted(paths)
        if ordered == paths:
            return self
        order, width = array("I", sorted(range(len(ordered)), key=paths.__getitem__)), sum(self.widths)
        moved = bytearray()
        for first in range(0, len(order), _MOVED_AT_ONCE):
            some = order[first : first + _MOVED_AT_ONCE]
            moved += b"".join([digests[at * width : (at + 1) * width] for at in some])
        return self._replace(paths=ordered, sizes=array("Q", map(sizes.__getitem__, order)), digests=moved)

    @property
    def widths(self) -> list[int]:
        """Bytes of a digest of each algorithm."""
        return [DIGEST_BYTES[name] for name in self.algorithms]


class Observation(NamedTuple):
    """Everything a judge needs to know about a bag; no file is read twice and none afterwards.

    Attributes:
        path: What was given, for messages.
        tags: Raw bytes of the files at the bag's base that BagIt gives a meaning to, by name.
        found: Every file and oddity that is not among the plain files, in any order.
        directories: Every directory, sorted.
        payload_algorithms: hashlib names in the order of a payload file's digests.
        tag_algorithms: hashlib names in the order of a tag file's digests.
        container: `folder`, `zip` or `tar`.
        oddities: What the container itself does wrong: (path, what it means).
        remarks: What it holds beside the bag that does no harm: (path, what it is).
        plain_payload: Payload files of which there is nothing more to say.
        plain_tags: Likewise the files that are no payload.
    """

    path: str
    tags: dict[str, bytes]
    found: tuple[Seen, ...]
    directories: tuple[str, ...]
    payload_algorithms: tuple[str, ...]
    tag_algorithms: tuple[str, ...]
    container: str = "folder"
    oddities: tuple[tuple[str, str], ...] = ()
    remarks: tuple[tuple[str, str], ...] = ()
    plain_payload: PlainFiles = PlainFiles()
    plain_tags: PlainFiles = PlainFiles()

    @property
    def seen(self) -> tuple[Seen, ...]:
        """Every file and oddity, sorted by path; made anew each time."""
        every = chain(self.found, self.plain_payload.each(), self.plain_tags.each())
        return tuple(sorted(every, key=itemgetter(0)))


class Trouble(NamedTuple):
    """One difference between a bag and what it says of itself, or between it and the standard.

    Attributes:
        path: Inside the bag.
        kind: One of the seven kinds of the contract.
        means: One sentence for a person, with the clause that decides where there is one.
        severity: A warning leaves the bag valid; an error does not.
    """

    path: str
    kind: Kind
    means: str
    severity: Weight = "error"


class Verdict(NamedTuple):
    """What the standard says of a bag.

    Attributes:
        complete: RFC 8493 section 3: every required element is there and well formed.
        valid: Complete, and every digest of every manifest agrees.
        problems: Every difference, sorted by path; warnings among them.
        version: What the bag declares, or "".
        files: How many files were digested.
        size_bytes: How many bytes they hold.
        algorithms: Names of the digests that vouch for the payload.
        receipt: Digest over the tag manifests, in hex.
        info: The elements of bag-info.txt in their order.
    """

    complete: bool
    valid: bool
    problems: tuple[Trouble, ...]
    version: str = ""
    files: int = 0
    size_bytes: int = 0
    algorithms: tuple[str, ...] = ()
    receipt: str = ""
    info: tuple[tuple[str, str], ...] = ()
