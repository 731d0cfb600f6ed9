"""Bags made by hand, each with one property, and what RFC 8493 says of them.

None of our own code makes them, so that a mistake of our writer cannot hide one of our judge. Each case names
the clause that decides it; `library` is what `bagit` 1.9.0 says where that differs, which was found by
running it. The rules are those that the published conformance cases exercise (valid, warning and invalid bags
of 0.93 to
1.0), and the gaps V1 to V18 that were found by probing.
"""

from __future__ import annotations

import hashlib
import os
import sys
import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

PAYLOAD = {"data/a.bin": b"alpha", "data/sub/b.bin": b"beta" * 100}
TWO = ("sha256", "sha512")


def digest(algorithm: str, content: bytes) -> str:
    return hashlib.new({"sha3256": "sha3_256"}.get(algorithm, algorithm), content).hexdigest()


def write(root: Path, path: str, content: bytes | str) -> None:
    target = root / path
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(content.encode() if isinstance(content, str) else content)


def encoded(path: str) -> str:
    return path.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")


def seal(root: Path, algorithms: Iterable[str] = TWO, encoding: str = "utf-8") -> None:
    """Write the tag manifests anew, so that only what a case is about is wrong."""
    names = sorted(
        path.relative_to(root).as_posix()
        for path in root.rglob("*")
        if path.is_file()
        and not path.is_symlink()
        and path.relative_to(root).parts[0] != "data"
        and not path.name.startswith("tagmanifest-")
    )
    for algorithm in algorithms:
        lines = [f"{digest(algorithm, (root / name).read_bytes())}  {encoded(name)}\n" for name in names]
        write(root, f"tagmanifest-{algorithm}.txt", "".join(lines).encode(encoding))


def bag(
    root: Path,
    payload: dict[str, bytes] | None = None,
    *,
    version: str = "1.0",
    algorithms: Iterable[str] = TWO,
    encoding: str = "UTF-8",
    info: str | None = None,
    escape: Callable[[str], str] = encoded,
) -> None:
    """A bag by hand: payload, manifests, declaration, bag-info, tag manifests."""
    payload = PAYLOAD if payload is None else payload
    algorithms = tuple(algorithms)
    (root / "data").mkdir(parents=True)
    for path, content in payload.items():
        write(root, path, content)
    for algorithm in algorithms:
        lines = [f"{digest(algorithm, content)}  {escape(path)}\n" for path, content in payload.items()]
        write(root, f"manifest-{algorithm}.txt", "".join(lines).encode(encoding))
    write(root, "bagit.txt", f"BagIt-Version: {version}\nTag-File-Character-Encoding: {encoding}\n")
    oxum = f"{sum(map(len, payload.values()))}.{len(payload)}"
    text = f"Source-Organization: Loom Museum\nPayload-Oxum: {oxum}\n" if info is None else info
    name = "package-info.txt" if version in {"0.93", "0.94", "0.95"} else "bag-info.txt"
    write(root, name, text.encode(encoding))
    seal(root, algorithms, encoding)


def edit(root: Path, path: str, change: Callable[[bytes], bytes], *, sealed: bool = True) -> None:
    before = (root / path).read_bytes()
    after = change(before)
    assert after != before, f"{path} is as it was"
    (root / path).write_bytes(after)
    if sealed:
        seal(root)


def each_manifest(root: Path, change: Callable[[bytes], bytes]) -> None:
    for algorithm in TWO:
        edit(root, f"manifest-{algorithm}.txt", change, sealed=False)
    seal(root)


@dataclass(frozen=True)
class Case:
    """One bag.

    Attributes:
        name: What is special about it.
        make: Makes it.
        clause: Section of RFC 8493 (or of this program's policy) that decides it.
        valid: What the RFC says.
        kinds: What our judge must say is wrong, warnings included.
        library: What `bagit` says where it differs; `None` where it agrees.
        gap: Number of the gap of the library, V1 to V18, that the case shows.
        posix: It cannot be made on Windows.
    """

    name: str
    make: Callable[[Path], None]
    clause: str
    valid: bool
    kinds: frozenset[str] = frozenset()
    library: bool | None = None
    gap: str = ""
    posix: bool = False


CASES: list[Case] = []


def case(
    name: str,
    clause: str,
    *,
    valid: bool = False,
    kinds: str = "",
    library: bool | None = None,
    gap: str = "",
    posix: bool = False,
) -> Callable[[Callable[[Path], None]], Callable[[Path], None]]:
    def keep(make: Callable[[Path], None]) -> Callable[[Path], None]:
        CASES.append(Case(name, make, clause, valid, frozenset(kinds.split()), library, gap, posix))
        return make

    return keep


# --- valid bags -------------------------------------------------------------------------------------------


@case("a plain bag", "2", valid=True)
def _(root: Path) -> None:
    bag(root)


for _version in ("0.93", "0.94", "0.95", "0.96", "0.97"):

    @case(f"a bag of version {_version}", "2 of that version", valid=True)
    def _(root: Path, version: str = _version) -> None:
        bag(root, version=version, algorithms=("md5",))


for _algorithm in ("md5", "sha1", "sha224", "sha256", "sha384", "sha512"):

    @case(f"a bag with {_algorithm}", "2.4", valid=True)
    def _(root: Path, algorithm: str = _algorithm) -> None:
        bag(root, algorithms=(algorithm,))


@case("tag manifests are optional", "2.2.1", valid=True)
def _(root: Path) -> None:
    bag(root)
    for algorithm in TWO:
        (root / f"tagmanifest-{algorithm}.txt").unlink()


@case("bag-info.txt is optional", "2.2.2", valid=True)
def _(root: Path) -> None:
    bag(root)
    (root / "bag-info.txt").unlink()
    seal(root)


for _name, _ending in (("CR LF", b"\r\n"), ("CR", b"\r")):

    @case(f"lines that end in {_name}", "2.3", valid=True)
    def _(root: Path, ending: bytes = _ending) -> None:
        bag(root)
        for name in ("bagit.txt", "bag-info.txt", "manifest-sha256.txt", "manifest-sha512.txt"):
            edit(root, name, lambda raw: raw.replace(b"\n", ending), sealed=False)
        seal(root)


@case("digests in upper case", "2.1.3", valid=True)
def _(root: Path) -> None:
    bag(root)
    each_manifest(
        root, lambda raw: b"".join(line[:40].upper() + line[40:] for line in raw.splitlines(keepends=True))
    )


@case("a tab or many blanks before the path", "2.1.3", valid=True)
def _(root: Path) -> None:
    bag(root)
    edit(root, "manifest-sha256.txt", lambda raw: raw.replace(b"  ", b"\t"))
    edit(root, "manifest-sha512.txt", lambda raw: raw.replace(b"  ", b"      "))


@case("elements repeated, in any order, folded", "2.2.2", valid=True)
def _(root: Path) -> None:
    bag(root, info="Contact-Name: A\nExternal-Description: long\n  folded\n\tmore\nContact-Name: B\n")


@case("tag files in UTF-16", "2.1.1", valid=True, kinds="malformed")
def _(root: Path) -> None:
    bag(root, encoding="UTF-16", version="0.97", algorithms=("md5",))


@case("tag files in ISO-8859-1", "2.1.1", valid=True, kinds="malformed")
def _(root: Path) -> None:
    bag(root, {"data/é.bin": b"x"}, encoding="ISO-8859-1")


@case("an empty file and a hidden one", "2.1.3", valid=True)
def _(root: Path) -> None:
    bag(root, {"data/empty.bin": b"", "data/folder/.keep": b""})


@case("a tag folder that the tag manifests list", "2.2.4", valid=True)
def _(root: Path) -> None:
    bag(root)
    write(root, "metadata/record.json", "{}")
    seal(root)


@case("a tag file that no tag manifest lists", "2.2.1 (SHOULD)", valid=True, kinds="undeclared")
def _(root: Path) -> None:
    bag(root)
    write(root, "notes/today.txt", "x")


@case("a name with blanks and signs", "2.1.3", valid=True)
def _(root: Path) -> None:
    bag(root, {"data/a b (2) [x] #1 & 'c'.bin": b"x"})


@case("fetch.txt whose files have all come", "2.2.3", valid=True)
def _(root: Path) -> None:
    bag(root)
    write(root, "fetch.txt", "http://archive.example/a.bin 5 data/a.bin\n")
    seal(root)


@case("before 1.0 one of two manifests lists a file", "3 (0.97 section 3)", valid=True, kinds="undeclared")
def _(root: Path) -> None:
    bag(root, version="0.97")
    edit(root, "manifest-sha512.txt", lambda raw: b"\n".join(raw.splitlines()[:1]) + b"\n")


@case("names that differ only in case", "6", valid=True, kinds="malformed", posix=True)
def _(root: Path) -> None:
    bag(root, {"data/READ.bin": b"x", "data/read.bin": b"y"})


@case("names that differ only in Unicode form", "6", valid=True, kinds="malformed", posix=True, library=False)
def _(root: Path) -> None:
    bag(root, {"data/\u00e9.bin": b"x", "data/e\u0301.bin": b"y"})


@case("a percent sign, as 1.0 writes it", "2.1.3", valid=True, gap="V6", library=False, posix=True)
def _(root: Path) -> None:
    bag(root, {"data/100%.bin": b"x", "data/%0A.bin": b"y"})


@case("escapes in lower case, and more than two", "2.1.3", valid=True, gap="V6", library=False, posix=True)
def _(root: Path) -> None:
    bag(root, {"data/a\nb\nc\nd\re.bin": b"x"}, escape=lambda path: encoded(path).replace("%0A", "%0a"))


for _letter in (" ", "\u3000", "\u0085", "\u2028", "\f"):

    @case(
        f"a name that ends in {unicodedata.name(_letter, repr(_letter))}",
        "2.1.3",
        valid=True,
        gap="V7",
        library=False,
        posix=True,
    )
    def _(root: Path, letter: str = _letter) -> None:
        bag(root, {f"data/name{letter}": b"x"})


@case(
    "a decomposed name in the manifest, composed on the disk",
    "6",
    valid=True,
    kinds="malformed",
    gap="V15",
    library=False,
)
def _(root: Path) -> None:
    bag(root, {"data/\u00e9.bin": b"x"}, escape=lambda path: unicodedata.normalize("NFD", path))


@case(
    "a composed name in the manifest, decomposed on the disk", "6", valid=True, kinds="malformed", gap="V15"
)
def _(root: Path) -> None:
    bag(root, {"data/e\u0301.bin": b"x"}, escape=lambda path: unicodedata.normalize("NFC", path))


@case("a manifest with the asterisk of checksum programs", "6", valid=True, kinds="malformed", gap="V5")
def _(root: Path) -> None:
    bag(root)
    each_manifest(root, lambda raw: raw.replace(b"  data", b" *data"))


@case("a manifest whose paths begin with ./", "6", valid=True, kinds="malformed", gap="V5")
def _(root: Path) -> None:
    bag(root)
    each_manifest(root, lambda raw: raw.replace(b"  data", b"  ./data"))


@case("a manifest named by the RFC that the library does not know", "2.4", valid=True, gap="V11")
def _(root: Path) -> None:
    bag(root, algorithms=("sha256", "sha3256"))


# --- invalid bags: what is there and what is listed -------------------------------------------------------


@case("a file was altered", "3", kinds="altered")
def _(root: Path) -> None:
    bag(root)
    write(root, "data/a.bin", "alphA")


@case("a file was cut short", "3", kinds="altered incomplete")
def _(root: Path) -> None:
    bag(root)
    write(root, "data/a.bin", "alph")


@case("a file is gone", "3", kinds="missing incomplete")
def _(root: Path) -> None:
    bag(root)
    (root / "data/a.bin").unlink()


@case("a file that nobody lists", "3", kinds="unexpected incomplete")
def _(root: Path) -> None:
    bag(root)
    write(root, "data/stray", "x")


@case("a tag file was altered", "2.2.1", kinds="altered")
def _(root: Path) -> None:
    bag(root)
    edit(root, "bag-info.txt", lambda raw: raw.replace(b"Loom", b"loom"), sealed=False)


@case("a listed tag file is gone", "3", kinds="missing")
def _(root: Path) -> None:
    bag(root)
    (root / "bag-info.txt").unlink()


@case("no declaration", "2.1.1", kinds="incomplete missing")
def _(root: Path) -> None:
    bag(root)
    (root / "bagit.txt").unlink()


@case("no payload folder", "2.1.2", kinds="incomplete missing")
def _(root: Path) -> None:
    bag(root)
    for path in PAYLOAD:
        (root / path).unlink()
    (root / "data/sub").rmdir()
    (root / "data").rmdir()


@case("no payload manifest", "2.1.3", kinds="incomplete missing unexpected")
def _(root: Path) -> None:
    bag(root)
    for algorithm in TWO:
        (root / f"manifest-{algorithm}.txt").unlink()


@case("nothing to check at all", "policy: checking nothing is never a pass", kinds="incomplete", library=True)
def _(root: Path) -> None:
    bag(root, {})


@case("a manifest lists a folder", "2.1.3", kinds="missing")
def _(root: Path) -> None:
    bag(root)
    each_manifest(root, lambda raw: raw + raw.split()[0] + b"  data/sub\n")


@case("listed in one manifest and not in the other", "3", kinds="undeclared", gap="V1", library=True)
def _(root: Path) -> None:
    bag(root)
    edit(root, "manifest-sha512.txt", lambda raw: b"\n".join(raw.splitlines()[:1]) + b"\n")


@case("listed only in a tag manifest", "2.2.1", kinds="unexpected malformed", gap="V2", library=True)
def _(root: Path) -> None:
    bag(root, info="Contact-Name: A\n")
    write(root, "data/stray", "x")
    for algorithm in TWO:
        edit(
            root,
            f"tagmanifest-{algorithm}.txt",
            lambda raw, algorithm=algorithm: raw + f"{digest(algorithm, b'x')}  data/stray\n".encode(),  # type: ignore[misc]
            sealed=False,
        )


@case("a payload manifest lists a tag file", "2.1.3", kinds="malformed", gap="V2", library=True)
def _(root: Path) -> None:
    bag(root)
    for algorithm in TWO:
        line = f"{digest(algorithm, (root / 'bagit.txt').read_bytes())}  bagit.txt\n".encode()
        edit(root, f"manifest-{algorithm}.txt", lambda raw, line=line: raw + line, sealed=False)  # type: ignore[misc]
        (root / f"tagmanifest-{algorithm}.txt").unlink()


@case("a tag manifest lists a tag manifest", "2.2.1", kinds="malformed", gap="V2", library=True)
def _(root: Path) -> None:
    bag(root)
    content = (root / "tagmanifest-sha512.txt").read_bytes()
    line = f"{digest('sha256', content)}  tagmanifest-sha512.txt\n".encode()
    edit(root, "tagmanifest-sha256.txt", lambda raw: raw + line, sealed=False)


@case(
    "a tag manifest that leaves out a payload manifest", "2.2.1", kinds="undeclared", gap="V3", library=True
)
def _(root: Path) -> None:
    bag(root)
    for algorithm in TWO:
        edit(
            root,
            f"tagmanifest-{algorithm}.txt",
            lambda raw: b"".join(
                line for line in raw.splitlines(keepends=True) if b"manifest-sha256" not in line
            ),
            sealed=False,
        )


for _name, _line in (
    ("a comment", b"# made by hand\n"),
    ("an empty line", b"\n"),
    ("a digest alone", b"d41d8cd98f00b204e9800998ecf8427e\n"),
    ("a line that is no digest", b"hello  data/a.bin\n"),
):

    @case(
        f"a manifest with {_name}",
        "2.1.3",
        kinds="malformed",
        gap="V4",
        library=True if _name != "a line that is no digest" else None,
    )
    def _(root: Path, line: bytes = _line) -> None:
        bag(root)
        edit(root, "manifest-sha256.txt", lambda raw: raw + line)


@case("a digest that is too short", "2.1.3", kinds="malformed undeclared")
def _(root: Path) -> None:
    bag(root)
    edit(root, "manifest-sha256.txt", lambda raw: raw[1:])


@case("a percent sign that 1.0 must encode", "2.1.3", kinds="malformed", library=True)
def _(root: Path) -> None:
    bag(root, {"data/100%.bin": b"x"}, escape=lambda path: path)


@case("listed twice with the same digest", "2.1.3", kinds="malformed")
def _(root: Path) -> None:
    bag(root)
    each_manifest(root, lambda raw: raw + raw.splitlines(keepends=True)[0])


@case("before 1.0 listed twice with the same digest", "2.1.3", valid=True, kinds="malformed")
def _(root: Path) -> None:
    bag(root, version="0.97")
    each_manifest(root, lambda raw: raw + raw.splitlines(keepends=True)[0])


@case("listed twice with different digests", "2.1.3", kinds="malformed")
def _(root: Path) -> None:
    bag(root, version="0.97")
    each_manifest(root, lambda raw: raw + raw.splitlines(keepends=True)[0].replace(b"a", b"b"))


# --- invalid bags: paths and kinds ------------------------------------------------------------------------

for _name, _path in (
    ("that is absolute", "/etc/hostname"),
    ("that climbs out", "data/../../secret"),
    ("into somebody's home", "~root/secret"),
):

    @case(f"a listed path {_name}", "5.1", kinds="unsafe")
    def _(root: Path, path: str = _path) -> None:
        bag(root)
        each_manifest(root, lambda raw: raw + raw.split()[0] + b"  " + path.encode() + b"\n")


for _name, _path in (("on a drive", "C:/secret"), ("of Windows' long form", "\\\\?\\C:\\secret")):

    @case(f"a listed path {_name}", "5.2", kinds="unsafe")
    def _(root: Path, path: str = _path) -> None:
        bag(root)
        each_manifest(root, lambda raw: raw + raw.split()[0] + b"  " + path.encode() + b"\n")


@case("a path into a sibling whose name begins like the bag's", "5.1", kinds="unsafe", gap="V8", library=True)
def _(root: Path) -> None:
    bag(root, info="Contact-Name: A\n")
    write(root.parent, f"{root.name}-evil/secret", "x")
    for algorithm in TWO:
        line = f"{digest(algorithm, b'x')}  ../{root.name}-evil/secret\n".encode()
        edit(root, f"manifest-{algorithm}.txt", lambda raw, line=line: raw + line, sealed=False)  # type: ignore[misc]
    seal(root)


@case("a link to a file outside", "policy: regular files only", kinds="unsafe missing incomplete", posix=True)
def _(root: Path) -> None:
    bag(root)
    write(root.parent, "outside", "alpha")
    (root / "data/a.bin").unlink()
    (root / "data/a.bin").symlink_to(root.parent / "outside")


@case(
    "a link to a file inside",
    "policy: regular files only",
    kinds="unsafe missing incomplete",
    posix=True,
    library=True,
)
def _(root: Path) -> None:
    bag(root, {**PAYLOAD, "data/twin.bin": b"alpha"})
    (root / "data/a.bin").unlink()
    (root / "data/a.bin").symlink_to("twin.bin")


@case(
    "a linked folder with files that nobody lists",
    "3; policy",
    kinds="unsafe",
    gap="V16",
    library=True,
    posix=True,
)
def _(root: Path) -> None:
    bag(root)
    write(root.parent, "elsewhere/stray", "x")
    (root / "data/more").symlink_to(root.parent / "elsewhere")


@case("a pipe beside the payload", "policy: regular files only", kinds="unsafe", posix=True)
def _(root: Path) -> None:
    bag(root)
    os.mkfifo(root / "data/pipe")


@case("a file with two names on its file system", "policy: a warning", valid=True, kinds="unsafe", posix=True)
def _(root: Path) -> None:
    bag(root)
    (root.parent / "other-name").hardlink_to(root / "data/a.bin")


@case("a declaration with no last line ending", "2.3", valid=True, kinds="malformed")
def _(root: Path) -> None:
    bag(root)
    edit(root, "bagit.txt", lambda raw: raw.rstrip(b"\n"))


# --- invalid bags: the declaration and other tag files ----------------------------------------------------

for _name, _text in (
    ("a third line", "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\nMore: x\n"),
    ("its lines swapped", "Tag-File-Character-Encoding: UTF-8\nBagIt-Version: 1.0\n"),
    ("two blanks after a colon", "BagIt-Version:  1.0\nTag-File-Character-Encoding: UTF-8\n"),
    ("a blank before a colon", "BagIt-Version : 1.0\nTag-File-Character-Encoding: UTF-8\n"),
    ("a version nobody published", "BagIt-Version: 1.99\nTag-File-Character-Encoding: UTF-8\n"),
    ("a trailing blank", "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8 \n"),
):

    @case(f"a declaration with {_name}", "2.1.1", kinds="malformed", gap="V9", library=True)
    def _(root: Path, text: str = _text) -> None:
        bag(root)
        edit(root, "bagit.txt", lambda _raw: text.encode())


for _name, _text in (
    ("a byte-order mark", "\ufeffBagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"),
    ("the spelling of the RFC's own examples", "BagIt-version: 1.0\nTag-File-Character-Encoding: UTF-8\n"),
    ("an unknown encoding", "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-9\n"),
    ("version 2.0", "BagIt-Version: 2.0\nTag-File-Character-Encoding: UTF-8\n"),
    ("no encoding", "BagIt-Version: 1.0\n"),
    ("nothing in it", ""),
):

    @case(f"a declaration with {_name}", "2.1.1", kinds="malformed")
    def _(root: Path, text: str = _text) -> None:
        bag(root)
        edit(root, "bagit.txt", lambda _raw: text.encode())


for _name, _text in (("hyphen", "UTF=8"), ("last digit", "UTF-:")):

    @case(
        f"an encoding whose {_name} has one bit flipped",
        "2.1.1; no name of IANA's character sets (RFC 2978)",
        kinds="malformed",
        library=True,
    )
    def _(root: Path, text: str = _text) -> None:
        bag(root)
        edit(root, "bagit.txt", lambda raw: raw.replace(b"UTF-8", text.encode()))


@case("a byte-order mark in a manifest", "2.3", kinds="malformed", gap="V10", library=True)
def _(root: Path) -> None:
    bag(root)
    edit(root, "manifest-sha256.txt", lambda raw: b"\xef\xbb\xbf" + raw)


@case("a byte-order mark in a manifest, the encoding in lower case", "2.3", kinds="malformed", gap="V10")
def _(root: Path) -> None:
    bag(root, encoding="utf-8")
    edit(root, "manifest-sha256.txt", lambda raw: b"\xef\xbb\xbf" + raw)


@case("a manifest of an unknown algorithm", "2.4; 3", kinds="malformed", gap="V11", library=True)
def _(root: Path) -> None:
    bag(root)
    write(root, "manifest-xyz.txt", "00  data/a.bin\n00  data/sub/b.bin\n")
    seal(root)


@case(
    "wrong digests in a manifest that the library passes over", "3", kinds="altered", gap="V11", library=True
)
def _(root: Path) -> None:
    bag(root, algorithms=("sha256", "sha3256"))
    edit(root, "manifest-sha3256.txt", lambda raw: b"0" * 64 + raw[64:], sealed=False)
    seal(root, ("sha256", "sha3256"))


@case("Payload-Oxum in other letters, and wrong", "2.2.2", kinds="incomplete", gap="V12", library=True)
def _(root: Path) -> None:
    bag(root, info="payload-oxum: 1.1\n")


@case("Payload-Oxum twice", "2.2.2", kinds="malformed", gap="V12", library=True)
def _(root: Path) -> None:
    bag(root, info="Payload-Oxum: 405.2\nPayload-Oxum: 405.2\n")


@case("Payload-Oxum is wrong", "2.2.2", kinds="incomplete")
def _(root: Path) -> None:
    bag(root, info="Payload-Oxum: 405.3\n")


for _name, _listed, _kinds in (
    ("a tag file", "http://archive.example/x 5 bagit.txt", "malformed"),
    ("a file of no manifest", "http://archive.example/x 5 data/other", "incomplete undeclared"),
    ("a nonsense length", "http://archive.example/x many data/a.bin", "malformed"),
    ("a file of the reader's own disk", "file:///etc/passwd 5 data/a.bin", "unsafe"),
):

    @case(f"fetch.txt lists {_name}", "2.2.3; 5", kinds=_kinds, gap="V13", library=True)
    def _(root: Path, line: str = _listed) -> None:
        bag(root)
        write(root, "fetch.txt", line + "\n")
        seal(root)


@case("a bag that still needs fetching", "2.2.3; 3", kinds="incomplete")
def _(root: Path) -> None:
    bag(root)
    (root / "data/a.bin").unlink()
    write(root, "fetch.txt", "http://archive.example/a.bin 5 data/a.bin\n")
    seal(root)


@case("Payload-Oxum without a dot", "2.2.2", kinds="malformed", gap="V14")
def _(root: Path) -> None:
    bag(root, info="Payload-Oxum: 405\n")


@case("an empty line in fetch.txt", "2.2.3", kinds="malformed", gap="V14")
def _(root: Path) -> None:
    bag(root)
    write(root, "fetch.txt", "\n")
    seal(root)


@case("a manifest that is not the encoding it should be", "2.1.1", kinds="malformed undeclared", gap="V14")
def _(root: Path) -> None:
    bag(root)
    edit(root, "manifest-sha256.txt", lambda raw: raw.replace(b"data/a", b"data/\xff"))


@case("a manifest of an algorithm without a fixed length", "2.4", kinds="malformed", gap="V14")
def _(root: Path) -> None:
    bag(root)
    write(root, "manifest-shake_128.txt", "00  data/a.bin\n00  data/sub/b.bin\n")
    seal(root)


@case("many wounds at once, all to be told", "3", kinds="altered missing unexpected incomplete", gap="V17")
def _(root: Path) -> None:
    bag(root)
    write(root, "data/a.bin", "alphA")
    (root / "data/sub/b.bin").unlink()
    write(root, "data/stray", "x")


for _name, _text in (
    ("a leading blank", " Contact-Name: A\n"),
    ("two blanks after the colon", "Contact-Name:  A\n"),
):

    @case(f"a label with {_name}", "2.2.2", kinds="malformed", gap="V18", library=True)
    def _(root: Path, text: str = _text) -> None:
        bag(root, info=text)


@case("a line of bag-info.txt without a colon", "2.2.2", kinds="malformed")
def _(root: Path) -> None:
    bag(root, info="Contact-Name: A\nnonsense\n")


def possible() -> list[Case]:
    """The cases that this system can make."""
    return [each for each in CASES if not (each.posix and sys.platform == "win32")]
