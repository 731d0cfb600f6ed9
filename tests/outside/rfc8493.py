"""A small reader of bags written from the text of RFC 8493 alone, to judge our bags and our judge.

It shares no line with the program: it works on bytes, reads every file once for each manifest line, and knows
nothing of speed. Versions before 1.0 are read by the same rules except where their drafts are known to
differ.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from pathlib import Path

END = re.compile(r"\r\n|\n|\r")
KNOWN = {"sha3224": "sha3_224", "sha3256": "sha3_256", "sha3384": "sha3_384", "sha3512": "sha3_512"}


def problems(bag: Path) -> list[str]:
    """Everything that makes a bag incomplete or invalid, in the reader's own words.

    Empty where it is valid.
    """
    said: list[str] = []
    declaration = bag / "bagit.txt"
    if not declaration.is_file():
        return ["2.1.1: bagit.txt is required"]
    # 2.1.1 and the ABNF of section 7: "BagIt-Version: " M "." N ending "Tag-File-Character-Encoding: " name
    # ending; the last one is lacking in most of the published valid bags, so that it decides nothing here.
    found = re.fullmatch(
        rb"BagIt-Version: ([0-9]+)\.([0-9]+)(?:\r\n|\n|\r)"
        rb"Tag-File-Character-Encoding: ([^\s]+)(?:\r\n|\n|\r)?",
        declaration.read_bytes(),
    )
    if not found:
        return ["2.1.1: bagit.txt is not its two lines"]
    version = (int(found[1]), int(found[2]))
    if version not in {(0, 93), (0, 94), (0, 95), (0, 96), (0, 97), (1, 0)}:
        return [f"2.1.1: version {version} is not known"]
    encoding = found[3].decode()
    # No name in IANA's registry of character sets has other signs, or one at its end; Python passes over
    # them.
    if not re.fullmatch(r"[A-Za-z0-9]+(?:[-_.:][A-Za-z0-9]+)*", encoding):
        return [f"2.1.1: encoding {encoding} is none"]
    try:
        "".encode(encoding)
    except LookupError:
        return [f"2.1.1: encoding {encoding} is not known"]
    if not (bag / "data").is_dir():
        said.append("2.1.2: data/ is required")
    payload_manifests = sorted(bag.glob("manifest-*.txt"))
    if not payload_manifests:
        said.append("2.1.3: a payload manifest is required")
    on_disk, odd = _files(bag)
    said += [f"{path} is not a regular file" for path in odd]
    payload = {path for path in on_disk if path.startswith("data/")}
    listed: dict[str, dict[str, str]] = {}
    for manifest in payload_manifests:
        listed[manifest.name] = _lines(manifest, encoding, version, said)
        for path in listed[manifest.name]:
            if not path.startswith("data/"):
                said.append(f"2.1.3: {manifest.name} lists {path!r}, which is no payload")
    for manifest in sorted(bag.glob("tagmanifest-*.txt")):
        lines = _lines(manifest, encoding, version, said)
        for path in lines:
            if path.startswith("data/") or re.fullmatch(r"tagmanifest-[^/]*\.txt", path):
                said.append(f"2.2.1: {manifest.name} must not list {path!r}")
        said += [
            f"2.2.1: {manifest.name} must list {each.name}"
            for each in payload_manifests
            if each.name not in lines
        ]
        _verify(bag, manifest, lines, on_disk, said)
    every = {_form(path) for lines in listed.values() for path in lines}
    for manifest in payload_manifests:
        lines = listed[manifest.name]
        _verify(bag, manifest, lines, on_disk, said)
        if version >= (1, 0):
            said += [
                f"3: {manifest.name} does not list {path!r}"
                for path in every - {_form(each) for each in lines}
            ]
    said += [f"3: no manifest lists {path!r}" for path in sorted(payload) if _form(path) not in every]
    if not any(listed.values()):
        said.append("nothing is listed, so nothing was checked")
    said += _fetch(bag, encoding, version, listed)
    said += _info(bag, encoding, version, payload)
    return said


def _form(path: str) -> str:
    return unicodedata.normalize("NFC", path)


def _files(bag: Path) -> tuple[set[str], list[str]]:
    files, odd = set(), []
    for path in bag.rglob("*"):
        name = path.relative_to(bag).as_posix()
        if path.is_symlink() or not (path.is_file() or path.is_dir()):
            odd.append(name)
        elif path.is_file():
            files.add(name)
    return files, odd


def _text(path: Path, encoding: str, said: list[str]) -> list[str]:
    raw = path.read_bytes()
    if raw.startswith(b"\xef\xbb\xbf") and encoding.lower().replace("-", "") == "utf8":
        said.append(f"2.3: {path.name} begins with a byte-order mark")
        raw = raw[3:]
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError:
        said.append(f"2.1.1: {path.name} is not {encoding}")
        return []
    lines = END.split(text)
    return lines[:-1] if lines[-1] == "" else lines


def _lines(manifest: Path, encoding: str, version: tuple[int, int], said: list[str]) -> dict[str, str]:
    """Path to checksum of one manifest, read without the program; complaints go into `said`."""
    result: dict[str, str] = {}
    for line in _text(manifest, encoding, said):
        # 2.1.3: checksum, one or more blanks or tabs, file path; hexadecimal in either case
        found = re.fullmatch(r"([0-9a-fA-F]{8,})[ \t]+([^ \t].*)", line, re.DOTALL)
        if not found:
            said.append(f"2.1.3: {manifest.name} has the line {line!r}")
            continue
        path = found[2]
        # 6: the forms of checksum programs may be accepted with a warning
        path = path.removeprefix("*").removeprefix("./")
        if version >= (1, 0) and re.search(r"%(?!0[aA]|0[dD]|25)", path):
            said.append(f"2.1.3: {manifest.name} has a bare % in {path!r}")
        path = re.sub("%0[aA]", "\n", re.sub("%0[dD]", "\r", path))
        if version >= (1, 0):
            path = path.replace("%25", "%")
        # 5.1, 5.2: absolute paths, homes, drives, and climbing out
        if (
            path.startswith(("/", "~", "\\"))
            or re.match("[A-Za-z]:", path)
            or ".." in re.split(r"[/\\]", path)
        ):
            said.append(f"5: {manifest.name} lists {path!r}, which leads out")
            continue
        if path in result and (version >= (1, 0) or result[path] != found[1].lower()):
            said.append(f"2.1.3: {manifest.name} lists {path!r} twice")
        result[path] = found[1].lower()
    return result


def _verify(bag: Path, manifest: Path, lines: dict[str, str], on_disk: set[str], said: list[str]) -> None:
    algorithm = re.sub("(tag)?manifest-(.*)[.]txt", r"\2", manifest.name)
    forms = {_form(path): path for path in on_disk}
    for path, stated in lines.items():
        there = path if path in on_disk else forms.get(_form(path))
        if there is None:
            said.append(f"3: {manifest.name} lists {path!r}, which is not there")
            continue
        try:
            computed = hashlib.new(KNOWN.get(algorithm, algorithm), (bag / there).read_bytes()).hexdigest()
        except (ValueError, TypeError):
            said.append(f"2.4: {manifest.name} cannot be verified")
            return
        if computed != stated:
            said.append(f"3: {there!r} is not what {manifest.name} says")


def _fetch(
    bag: Path, encoding: str, version: tuple[int, int], listed: dict[str, dict[str, str]]
) -> list[str]:
    said: list[str] = []
    if not (bag / "fetch.txt").is_file():
        return said
    for line in _text(bag / "fetch.txt", encoding, said):
        found = re.fullmatch(r"(\S+)[ \t]+([0-9]+|-)[ \t]+(.+)", line)
        if not found:
            said.append(f"2.2.3: fetch.txt has the line {line!r}")
            continue
        if found[1].startswith("file:"):
            said.append(f"5: fetch.txt would read {found[1]!r} from this computer")
        for name, lines in listed.items():
            if found[3] not in lines:
                said.append(f"2.2.3: {name} does not list {found[3]!r}, fetch.txt does")
        if not (bag / found[3]).exists():
            said.append(f"3: {found[3]!r} has not been fetched")
    return said


def _info(bag: Path, encoding: str, version: tuple[int, int], payload: set[str]) -> list[str]:
    said: list[str] = []
    name = "bag-info.txt" if version >= (0, 96) else "package-info.txt"
    if not (bag / name).is_file():
        return said
    oxums = []
    for number, line in enumerate(_text(bag / name, encoding, said)):
        if line[:1] in {" ", "\t"} and number:
            continue
        # 2.2.2: a label, a colon, one blank or tab, a value
        found = re.fullmatch(r"([^\s:][^:]*?):[ \t](?![ \t])(.*)", line)
        if not found and (line.strip() and version >= (1, 0)):
            said.append(f"2.2.2: {name} has the line {line!r}")
        elif found and found[1].lower() == "payload-oxum":
            oxums.append(found[2].strip())
    if len(oxums) > 1 and version >= (1, 0):
        said.append("2.2.2: Payload-Oxum is repeated")
    total = sum((bag / path).stat().st_size for path in payload)
    said += [f"2.2.2: Payload-Oxum is {each}" for each in oxums if each != f"{total}.{len(payload)}"]
    return said
