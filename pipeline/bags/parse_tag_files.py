"""Reading BagIt's tag files strictly: what is well formed, and every place that is not.

The common library logs a malformed manifest line, skips it, and calls the bag valid. Here nothing is skipped
in silence: each function returns what could be read *and* every complaint. Section numbers are RFC 8493's;
the predecessors 0.93 to 0.97 are read by their own, looser rules where these differ.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterable, Mapping
from hashlib import sha256
from posixpath import normpath
from typing import NamedTuple

VERSIONS = ("0.93", "0.94", "0.95", "0.96", "0.97", "1.0")
"""Every version that was published: the drafts of draft-kunze-bagit, then RFC 8493."""
HASH_NAMES = {
    "md5": "md5",
    "sha1": "sha1",
    "sha224": "sha224",
    "sha256": "sha256",
    "sha384": "sha384",
    "sha512": "sha512",
    "sha3224": "sha3_224",
    "sha3256": "sha3_256",
    "sha3384": "sha3_384",
    "sha3512": "sha3_512",
    "blake2b": "blake2b",
    "blake2b512": "blake2b",
    "blake2s": "blake2s",
    "blake2s256": "blake2s",
}
"""Section 2.4: the common name, lower case, letters and digits only; the right side is hashlib's name."""
DIGEST_BYTES = {
    "md5": 16,
    "sha1": 20,
    "sha224": 28,
    "sha256": 32,
    "sha384": 48,
    "sha512": 64,
    "sha3_224": 28,
    "sha3_256": 32,
    "sha3_384": 48,
    "sha3_512": 64,
    "blake2b": 64,
    "blake2s": 32,
}
MOST_TAG_BYTES = 1 << 30
"""A manifest larger than this would list ten million files; it is not read into memory."""
MANIFEST_NAME = re.compile(r"(tag)?manifest-(.+)\.txt", re.DOTALL)
_URL = re.compile(r"[A-Za-z0-9._~:/?#\[\]@!$&'()*+,;=%-]+")
"""Source: RFC 3986, section 2."""
_DECLARATION = re.compile(
    rb"BagIt-Version: (\d+\.\d+)(?:\r\n|\r|\n)Tag-File-Character-Encoding: ([!-~]+)(?:\r\n|\r|\n)"
)
_LINE_END = re.compile("\r\n|\r|\n")
_LINE = re.compile(r"(\\?)([0-9A-Fa-f]+)[ \t]+([^ \t].*)", re.DOTALL)
_PERCENT = re.compile(r"%(0[AaDd]|25)?")
_PERCENT_OLD = re.compile(r"%(0[AaDd])")
_NOT_FOR_TEXT = frozenset(
    "idna punycode unicode-escape raw-unicode-escape undefined mbcs oem utf-7 palmos utf-8-sig "  # noqa: SIM905
    "base64 bz2 hex quopri rot-13 uu zlib".split()
)
"""Codecs of Python that are no character encoding of a text file."""
_DRIVE = re.compile(r"[A-Za-z]:")


class Complaint(NamedTuple):
    """One place where a tag file is not what the standard says.

    Attributes:
        path: The path it concerns, or "" for the tag file itself.
        kind: `malformed`, `unsafe` or `undeclared`.
        means: One sentence.
        warning: The bag may still be valid.
    """

    path: str
    kind: str
    means: str
    warning: bool = False


class Manifest(NamedTuple):
    """One manifest as far as it could be read.

    Attributes:
        name: Its file name.
        of_tags: Whether it is a tag manifest.
        algorithm: hashlib's name, or "" where no algorithm of that name can be computed here.
        entries: Raw digest of each path.
        complaints: Everything that is wrong with it.
    """

    name: str
    of_tags: bool
    algorithm: str
    entries: dict[str, bytes]
    complaints: list[Complaint]


def hash_name(manifest_name: str) -> str:
    """The name by which hashlib knows the algorithm in a manifest's file name, or "" where there is none.

    Example:
        >>> [hash_name(f"{tag}.txt") for tag in ("manifest-sha3256", "tagmanifest-sha512", "manifest-x")]
        ['sha3_256', 'sha512', '']
    """
    match = MANIFEST_NAME.fullmatch(manifest_name)
    return HASH_NAMES.get(re.sub(r"[^a-z0-9]", "", match[2].lower()), "") if match else ""


def is_tag_name(name: str) -> bool:
    """Whether BagIt gives a meaning to a file of this name at the bag's base."""
    return name in {"bagit.txt", "bag-info.txt", "package-info.txt", "fetch.txt"} or bool(
        MANIFEST_NAME.fullmatch(name)
    )


def algorithms_of(names: list[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What to compute for payload files and for tag files, from the names of the manifests that are there."""
    payload = {hash_name(name) for name in names if name.startswith("manifest-")} - {""}
    tags = {hash_name(name) for name in names if name.startswith("tagmanifest-")} - {""}
    return tuple(sorted(payload)), tuple(sorted(tags))


def read_declaration(raw: bytes | None) -> tuple[str, str, list[Complaint]]:
    """`bagit.txt` (section 2.1.1): exactly two lines, exactly one blank after each colon.

    Args:
        raw: Its bytes, or None where there is no such file.

    Returns:
        The version ("" where none can be read), the encoding of the other tag files, and complaints.
    """
    if raw is None:
        return "", "utf-8", [Complaint("", "incomplete", "there is no bagit.txt (RFC 8493 section 2.1.1)")]
    complaints: list[Complaint] = []
    if raw.startswith(codecs.BOM_UTF8):
        complaints.append(_bad("bagit.txt begins with a byte-order mark (RFC 8493 section 2.1.1)"))
        raw = raw.removeprefix(codecs.BOM_UTF8)
    match = _DECLARATION.fullmatch(raw)
    if match is None and (match := _DECLARATION.fullmatch(raw + b"\n")):
        # Sixteen of twenty-seven published valid bags of all versions are so.
        complaints.append(
            _bad("bagit.txt has no line ending after its last line (RFC 8493 section 2.3)", warning=True)
        )
    if match is None:
        complaints.append(
            _bad(
                "bagit.txt is not exactly the lines `BagIt-Version: M.N` and `Tag-File-Character-Encoding: "
                "NAME` (RFC 8493 section 2.1.1)"
            )
        )
        loose = re.match(rb"\s*BagIt-Version\s*:\s*(\d+\.\d+)", raw, re.IGNORECASE)
        encoding = re.search(rb"Tag-File-Character-Encoding\s*:\s*([!-~]+)", raw, re.IGNORECASE)
        version = loose[1].decode() if loose else ""
        named = encoding[1].decode() if encoding else "UTF-8"
    else:
        version, named = match[1].decode(), match[2].decode()
    if version and version not in VERSIONS:
        complaints.append(
            _bad(f"BagIt version {version} was never published; known are {', '.join(VERSIONS)}")
        )
    encoding_name = _text_encoding(named)
    if not encoding_name:
        complaints.append(_bad(f"the encoding {named} is not known here, so the tag files cannot be read"))
    elif encoding_name != "utf-8":
        complaints.append(
            _bad(f"tag files should be UTF-8, not {named} (RFC 8493 section 2.1.1)", warning=True)
        )
    return version, encoding_name or "utf-8", complaints


def _text_encoding(named: str) -> str:
    # Python takes any sign for the hyphen, UTF=8 too; no charset of IANA's list is spelled with such a one.
    if not re.fullmatch(r"[A-Za-z0-9]+([._:-][A-Za-z0-9]+)*", named):
        return ""
    try:
        name = codecs.lookup(named).name.replace("_", "-")
    except (LookupError, ValueError):
        return ""
    return "" if name in _NOT_FOR_TEXT else name


def tag_lines(raw: bytes, encoding: str, *, strict: bool) -> tuple[list[str], list[Complaint]]:
    """The lines of a text tag file (section 2.3), which end in LF, CR or CRLF and in nothing else.

    Args:
        raw: Its bytes.
        encoding: What `bagit.txt` declares.
        strict: Version 1.0: a byte-order mark in UTF-8 is an error.

    Returns:
        The lines without their endings; complaints. No line at all where the bytes are not of that encoding.
    """
    complaints: list[Complaint] = []
    if encoding == "utf-8" and raw.startswith(codecs.BOM_UTF8):
        complaints.append(
            _bad(
                "it begins with a byte-order mark, which UTF-8 tag files must not (RFC 8493 section 2.3)",
                warning=not strict,
            )
        )
        raw = raw.removeprefix(codecs.BOM_UTF8)
    if encoding == "utf-16" and raw[:2] not in {codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE}:
        # The first character of every tag file is ASCII, so the place of its zero byte tells the order.
        encoding = "utf-16-be" if raw[:1] == b"\0" else "utf-16-le"
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError as error:
        return [], [
            *complaints,
            _bad(
                f"it is not {encoding}: the byte at offset {error.start} cannot be (RFC 8493 section 2.1.1)"
            ),
        ]
    if not text:
        return [], complaints
    lines = _LINE_END.split(text) if "\r" in text else text.split("\n")
    if lines[-1]:
        complaints.append(_bad("its last line has no line ending (RFC 8493 section 2.3)", warning=True))
    else:
        lines.pop()
    return lines, complaints


def read_manifest(name: str, raw: bytes, encoding: str, version: str) -> Manifest:
    """A payload or tag manifest (sections 2.1.3 and 2.2.1).

    Args:
        name: Its file name.
        raw: Its bytes.
        encoding: What `bagit.txt` declares.
        version: What `bagit.txt` declares.

    Returns:
        Every entry that could be read, with every complaint.
    """
    strict = version not in VERSIONS[:-1]
    manifest = named_manifest(name)
    lines, complaints = tag_lines(raw, encoding, strict=strict)
    manifest.complaints[:0] = complaints
    digest_digits = 2 * DIGEST_BYTES.get(manifest.algorithm, 0)
    if not _read_plainly(manifest, lines, digest_digits):
        manifest.entries.clear()
        _read_carefully(manifest, lines, digest_digits, strict=strict)
    return manifest


def named_manifest(name: str) -> Manifest:
    """What a manifest's file name says of it, none of its lines read."""
    manifest = Manifest(name, name.startswith("tag"), hash_name(name), {}, [])
    if not manifest.algorithm:
        manifest.complaints.append(
            _bad("its digests cannot be computed here, so it vouches for nothing (RFC 8493 section 2.4)")
        )
    elif name != name.lower() or not re.fullmatch(r"(tag)?manifest-[a-z0-9]+\.txt", name):
        manifest.complaints.append(
            _bad(
                "its name is not the algorithm's in lower-case letters and digits (RFC 8493 section 2.4)",
                warning=True,
            )
        )
    return manifest


def _read_plainly(manifest: Manifest, lines: list[str], digest_digits: int) -> bool:
    """Take lines as nearly every program writes them; False where any line needs the careful reading.

    A hundred thousand lines four times over would otherwise take longer than digesting the files.
    """
    start = digest_digits + 2
    paths = [line[start:] for line in lines]
    try:
        manifest.entries.update(
            zip(paths, [bytes.fromhex(line[:digest_digits]) for line in lines], strict=True)
        )
        firsts = {path[0] for path in paths}
    except (ValueError, IndexError):
        return False
    every = "\n".join(paths)  # looked through in one go
    return (
        digest_digits > 0
        and {line[digest_digits:start] for line in lines} <= {"  "}
        and firsts.isdisjoint(" \t*.")
        and not any(odd in every for odd in ("%", "//", "/./"))
        and {2 * len(digest) for digest in manifest.entries.values()} <= {digest_digits}
        and len(manifest.entries) == len(lines)
    )


def _read_carefully(manifest: Manifest, lines: list[str], digest_digits: int, *, strict: bool) -> None:
    for number, line in enumerate(lines, 1):
        match = _LINE.fullmatch(line)
        if match is None or (digest_digits and len(match[2]) != digest_digits) or len(match[2]) % 2:
            manifest.complaints.append(
                _bad(f"line {number} is not a digest, a space and a path (RFC 8493 section 2.1.3)")
            )
            continue
        path = _entry_path(match, manifest.complaints, strict=strict)
        digest = bytes.fromhex(match[2])
        known = manifest.entries.setdefault(path, digest)
        if known is not digest:
            manifest.complaints.append(
                Complaint(
                    path,
                    "malformed",
                    f"{manifest.name} lists it more than once"
                    + ("" if known == digest else ", with different digests")
                    + " (RFC 8493 section 2.1.3)",
                    warning=not strict and known == digest,
                )
            )


def _entry_path(match: re.Match[str], complaints: list[Complaint], *, strict: bool) -> str:
    """The path of a line, its encodings and the customs of checksum programs undone."""
    path = match[3]
    if match[1]:
        path = path.replace("\\n", "\n").replace("\\\\", "\\")
        complaints.append(_custom(path, "a leading backslash"))
    if path[0] == "*":
        path = path[1:]
        complaints.append(_custom(path, "a leading asterisk"))
    if "%" in path:
        path = decode_path(path, complaints, strict=strict)
    if path.startswith("./") or "//" in path or "/./" in path:
        # normpath would also resolve "..", which `unsafe_path` must see.
        plain = path if ".." in path.split("/") else normpath(path)
        complaints.append(_custom(plain, "needless dots or slashes in the path"))
        path = plain
    return path


def decode_path(path: str, complaints: list[Complaint], *, strict: bool) -> str:
    """Section 2.1.3 undone: `%0A`, `%0D` and `%25`, in either case.

    0.97 and before knew only the first two.
    """
    if not strict:
        return _PERCENT_OLD.sub(_letter, path)
    if any(found[1] is None for found in _PERCENT.finditer(path)):
        complaints.append(
            Complaint(
                path, "malformed", "a percent sign in its name is not written %25 (RFC 8493 section 2.1.3)"
            )
        )
    return _PERCENT.sub(lambda found: _letter(found) if found[1] else "%", path)


def _letter(found: re.Match[str]) -> str:
    return chr(int(found[1], 16))


def unsafe_path(path: str) -> str:
    """Why a listed path must not be followed (section 5.1 and 5.2), or "" where it may.

    Example:
        >>> unsafe_path("data/x"), unsafe_path("../x"), unsafe_path("C:/x")
        ('', 'it climbs out of the bag', 'it names a drive')
    """
    if path.startswith("/"):
        return "it is absolute"
    if path.startswith("\\"):
        return "it begins with a backslash, which leads out of the bag on Windows"
    if _DRIVE.match(path):
        return "it names a drive"
    if path.startswith("~"):
        return "it names somebody's home folder"
    if ".." in path.split("/") or ".." in path.split("\\"):
        return "it climbs out of the bag"
    if "\0" in path:
        return "it holds a zero byte"
    return ""


def read_info(raw: bytes, encoding: str, version: str) -> tuple[list[tuple[str, str]], list[Complaint]]:
    """`bag-info.txt` (section 2.2.2): labels and values in their order, folded lines joined by one blank.

    Args:
        raw: Its bytes.
        encoding: What `bagit.txt` declares.
        version: What `bagit.txt` declares.

    Returns:
        Elements and complaints.
    """
    strict = version not in VERSIONS[:-1]
    lines, complaints = tag_lines(raw, encoding, strict=strict)
    elements: list[tuple[str, str]] = []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            complaints.append(_bad(f"line {number} is empty (RFC 8493 section 2.2.2)", warning=True))
        elif line[0] in " \t" and elements:
            label, value = elements[-1]
            elements[-1] = (label, f"{value} {line.strip()}".strip())
        else:
            label, colon, value = line.partition(":")
            if not colon or not label.strip() or (strict and label != label.strip()):
                complaints.append(_bad(f"line {number} is not `Label: value` (RFC 8493 section 2.2.2)"))
                continue
            if strict and value and not re.match(r"[ \t](?![ \t])", value):
                complaints.append(
                    _bad(
                        f"line {number} does not have exactly one space after the colon "
                        "(RFC 8493 section 2.2.2)"
                    )
                )
            elements.append((label.strip(), value.strip()))
    return elements, complaints


def read_fetch(raw: bytes, encoding: str, version: str) -> tuple[list[str], list[Complaint]]:
    """`fetch.txt` (section 2.2.3): which files it would fetch. Nothing is ever fetched.

    Args:
        raw: Its bytes.
        encoding: What `bagit.txt` declares.
        version: What `bagit.txt` declares.

    Returns:
        The paths and the complaints.
    """
    strict = version not in VERSIONS[:-1]
    lines, complaints = tag_lines(raw, encoding, strict=strict)
    paths: list[str] = []
    for number, line in enumerate(lines, 1):
        match = re.fullmatch(r"(\S+)[ \t]+([0-9]+|-)[ \t]+([^ \t].*)", line, re.DOTALL)
        if match is None:
            complaints.append(_bad(f"line {number} is not URL, length and path (RFC 8493 section 2.2.3)"))
            continue
        path = decode_path(match[3], complaints, strict=strict) if "%" in match[3] else match[3]
        if not re.match(r"(?i)(https?|ftps?|sftp)://[^/]", match[1]):
            complaints.append(
                Complaint(
                    path,
                    "unsafe",
                    (
                        f"fetch.txt would fetch it from {match[1]!r}, which is not an address on a network "
                        f"(RFC 8493 section 5)"
                    ),
                )
            )
        if not _URL.fullmatch(match[1]):
            said = f"line {number} has characters in its URL that no URL may have (RFC 8493 section 2.2.3)"
            complaints.append(_bad(said, warning=True))
        paths.append(path)
    return paths, complaints


def receipt_names(names: Iterable[str]) -> list[str]:
    """Which of a bag's tag files its receipt is taken over: its tag manifests, or all where it has none."""
    return [name for name in names if name.startswith("tagmanifest-")] or list(names)


def receipt_of(tags: Mapping[str, bytes]) -> str:
    """The digest that stands for a bag: over its tag manifests, and through them over every byte.

    Where a bag has none, it is taken over its other tag files instead. It is what `sha256sum
    tagmanifest-*.txt | sha256sum` prints in the bag's folder.

    Args:
        tags: Raw bytes of the tag files at the bag's base, by name.

    Returns:
        64 hexadecimal digits, or "" where there is no tag file at all.
    """
    chosen = sorted(receipt_names(tags))
    lines = [f"{sha256(tags[name]).hexdigest()}  {name}\n" for name in chosen]
    return sha256("".join(lines).encode("utf-8", "surrogatepass")).hexdigest() if lines else ""


def _bad(means: str, *, warning: bool = False) -> Complaint:
    return Complaint("", "malformed", means, warning=warning)


def _custom(path: str, what: str) -> Complaint:
    return Complaint(
        path,
        "malformed",
        f"its line has {what}, a custom of checksum programs; strict validation fails (RFC 8493 section 6)",
        warning=True,
    )
