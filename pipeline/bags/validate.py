"""The judge of a bag: everything that differs from what the bag says of itself, and from RFC 8493.

1. The declaration (section 2.1.1) says by which version's rules the rest is read.
2. The elements that must be there: a payload folder and a payload manifest that lists something (section
   2.1).
3. What no bag may hold: links, pipes, devices, and what an archive did wrong (our policy; the RFC is silent).
4. Each manifest by itself: encoding, lines, paths (sections 2.1.3, 2.2.1, 5).
5. Payload files against every payload manifest, both ways (section 3).
6. Tag files against every tag manifest, both ways (section 2.2.1).
7. `fetch.txt` (section 2.2.3): what it still wants makes the bag incomplete.
8. `bag-info.txt` and its `Payload-Oxum` (section 2.2.2).
9. Names that are one name on some system (section 6): warnings.

Nothing stops at the first difference. A warning leaves a bag valid.

Nearly every bag's manifests are, byte for byte, what would be written of its plain files (`as_written`). Then
steps 4 to 6 are done with those: there is nothing to tell of them, and only their number, sizes and names are
still asked about.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from itertools import chain
from typing import cast

from pipeline.bags.as_written import NAMES_AT_ONCE, are_as_written
from pipeline.bags.observed import REGULAR, Kind, Observation, PlainFiles, Seen, Trouble, Verdict
from pipeline.bags.parse_tag_files import (
    VERSIONS,
    Complaint,
    Manifest,
    named_manifest,
    read_declaration,
    read_fetch,
    read_info,
    read_manifest,
    receipt_of,
    unsafe_path,
)
from pipeline.bags.portable_names import DEVICES, REFUSED, name_key, windows_refuses

_OXUM = re.compile(r"(\d{1,30})\.(\d{1,30})", re.ASCII)
_INFO_NAMES = {"0.93": "package-info.txt", "0.94": "package-info.txt", "0.95": "package-info.txt"}
"""Before 0.96 the file had another name. Source: the drafts draft-kunze-bagit-00 to -02."""


_SUSPECTS = (*(REFUSED - {"/"}), *sorted({f"/{name[:3].lower()}" for name in DEVICES}))
"""What a list of paths must hold for `windows_refuses` to be true of a name in one of them."""


def judge(observation: Observation) -> Verdict:
    """Whether a bag is complete and valid, with every difference.

    Args:
        observation: What was seen and digested; nothing else is consulted.

    Returns:
        The verdict. A bag in which nothing was checked is not valid.

    Raises:
        Nothing.
    """
    return _Judge(observation).verdict()


def _as_listed(manifest: Manifest, files: Mapping[str, Seen], place: int) -> bool:
    """Whether files are those that a manifest lists, in its order, each with its digest: nearly always so."""
    if [*files] != [*manifest.entries]:
        return False
    try:
        return [each.digests[place] for each in files.values()] == [*manifest.entries.values()]
    except IndexError:
        return False  # one that could not be read


class _Judge:
    """One judgement; the methods follow the numbered plan above."""

    def __init__(self, observation: Observation) -> None:
        self.seen = observation
        self.problems: list[Trouble] = []
        self.info: list[tuple[str, str]] = []
        self.wanted: set[str] = set()

    def read(self) -> None:
        """Step 1, the manifests, and which files are still to be looked at one by one."""
        tags = self.seen.tags
        self.version, self.encoding, complaints = read_declaration(tags.get("bagit.txt"))
        self.strict = self.version not in VERSIONS[:-1]
        self.complain("bagit.txt", complaints)
        names = sorted(name for name in tags if name.startswith(("manifest-", "tagmanifest-")))
        self.proved: tuple[PlainFiles, ...] = ()
        if self.encoding == "utf-8" and are_as_written(self.seen):
            self.proved = (self.seen.plain_payload, self.seen.plain_tags)
            self.manifests = [named_manifest(name) for name in names]
        else:
            self.manifests = [read_manifest(name, tags[name], self.encoding, self.version) for name in names]
        rest = self.seen.found if self.proved else self.seen.seen
        self.files = {each.path: each for each in rest if each.kind == REGULAR}
        self.payload = {path: each for path, each in self.files.items() if path.startswith("data/")}

    def verdict(self) -> Verdict:
        self.read()
        self.of_payload = [each for each in self.manifests if not each.of_tags]
        self.of_tags = [each for each in self.manifests if each.of_tags]
        self.required()
        self.oddities()
        for manifest in self.manifests:
            self.manifest_itself(manifest)
        self.read_fetch()
        self.payload_against_manifests()
        self.tags_against_manifests()
        self.fetch_against_manifests()
        self.read_info()
        self.names()
        return self.conclude()

    def add(self, path: str, kind: Kind, means: str, *, warning: bool = False) -> None:
        self.problems.append(Trouble(path, kind, means, "warning" if warning else "error"))

    def complain(self, name: str, complaints: Iterable[Complaint]) -> None:
        for each in complaints:
            self.add(each.path or name, cast("Kind", each.kind), each.means, warning=each.warning)

    def required(self) -> None:
        """Step 2: a payload folder, a payload manifest, and at least one line in it."""
        if "data" not in self.seen.directories:
            self.add("data", "incomplete", "there is no payload folder (RFC 8493 section 2.1.2)")
        if not self.of_payload:
            self.add("manifest-*.txt", "incomplete", "there is no payload manifest (RFC 8493 section 2.1.3)")
        elif not self.proved and not any(each.entries for each in self.of_payload):
            self.add("data", "incomplete", "the manifests list no file: checking nothing is never a pass")

    def oddities(self) -> None:
        """Step 3: links, devices, files that cannot be read, files with a second name."""
        for path, means in self.seen.oddities:
            self.add(path, "unsafe", means)
        for path, means in self.seen.remarks:
            self.add(path, "unexpected", means, warning=True)
        for each in self.seen.found:
            if each.kind != REGULAR:
                self.add(each.path, "unsafe", f"it is a {each.kind}; a bag holds regular files only")
            elif each.trouble:
                self.add(each.path, "missing", f"it cannot be read: {each.trouble}")
            elif each.links > 1:
                self.add(
                    each.path,
                    "unsafe",
                    (
                        f"it has {each.links} names on its file system; a change under another one "
                        f"changes it here"
                    ),
                    warning=True,
                )

    def manifest_itself(self, manifest: Manifest) -> None:
        """Step 4: a manifest's own lines, no path that leads out, each file in the manifest it belongs to."""
        self.complain(manifest.name, manifest.complaints)
        for path in list(manifest.entries):
            inside = path.startswith("data/")
            if inside and not manifest.of_tags and ".." not in path and "\0" not in path:
                continue  # nearly all of them
            why = unsafe_path(path)
            if why:
                self.add(path, "unsafe", f"{manifest.name} lists it, but {why} (RFC 8493 section 5)")
            elif manifest.of_tags and inside:
                self.add(path, "malformed", f"{manifest.name} lists a payload file (RFC 8493 section 2.2.1)")
            elif manifest.of_tags and path.startswith("tagmanifest-") and "/" not in path:
                self.add(path, "malformed", f"{manifest.name} lists a tag manifest (RFC 8493 section 2.2.1)")
            elif not manifest.of_tags and not inside:
                self.add(
                    path, "malformed", f"{manifest.name} lists a file outside data/ (RFC 8493 section 2.1.3)"
                )
            else:
                continue
            del manifest.entries[path]

    def payload_against_manifests(self) -> None:
        """Step 5: every payload file is in every payload manifest; before 1.0 in one at least."""
        known = self.match(self.of_payload, self.payload, self.seen.payload_algorithms)
        for path in self.payload.keys() - known:
            self.add(path, "unexpected", "no payload manifest lists it (RFC 8493 section 3)")
        for manifest in self.of_payload:
            for path in known - manifest.entries.keys() if len(known) > len(manifest.entries) else ():
                self.add(
                    path,
                    "undeclared",
                    f"{manifest.name} does not list it, another manifest does (RFC 8493 section 3)",
                    warning=not self.strict,
                )

    def tags_against_manifests(self) -> None:
        """Step 6: every tag file that a tag manifest lists is there; nothing vouches for the rest."""
        if not self.of_tags:
            return
        tag_files = {
            path: each
            for path, each in self.files.items()
            if not path.startswith("data/") and not (path.startswith("tagmanifest-") and "/" not in path)
        }
        known = self.match(self.of_tags, tag_files, self.seen.tag_algorithms)
        # Tag manifests that are as written list every plain file, and payload manifests are no less.
        must = set() if self.proved else {each.name for each in self.of_payload}
        for manifest in self.of_tags:
            for path in (known | must | tag_files.keys()) - manifest.entries.keys():
                if path in must:
                    self.add(path, "undeclared", f"{manifest.name} does not list it (RFC 8493 section 2.2.1)")
                else:
                    self.add(
                        path,
                        "undeclared",
                        (
                            f"{manifest.name} does not list it, so it does not vouch for it (RFC 8493 "
                            f"section 2.2.1)"
                        ),
                        warning=True,
                    )

    def match(
        self, manifests: list[Manifest], files: Mapping[str, Seen], algorithms: tuple[str, ...]
    ) -> set[str]:
        """Hold files against manifests; gives the paths that any of them lists, spelled as on the disk."""
        known: set[str] = set()
        wrong: dict[str, list[str]] = {}
        for manifest in manifests:
            place = algorithms.index(manifest.algorithm) if manifest.algorithm in algorithms else -1
            if not manifest.entries.keys() <= files.keys():
                self.respell(manifest, files)
            known.update(manifest.entries)
            if place < 0:
                continue
            if _as_listed(manifest, files, place):
                continue
            for path, digest in manifest.entries.items():
                if path in files and files[path].digests and files[path].digests[place] != digest:
                    wrong.setdefault(path, []).append(manifest.name)
        for path, names in wrong.items():
            agreeing = [each.name for each in manifests if path in each.entries and each.name not in names]
            doubt = (
                f", though {' and '.join(agreeing)} agrees: a manifest itself is in doubt" if agreeing else ""
            )
            self.add(path, "altered", f"its digest is not the one of {' and '.join(names)}{doubt}")
        for path in known - files.keys():
            if path not in self.wanted:
                self.add(path, "missing", self.absence(path))
        return known

    def respell(self, manifest: Manifest, files: Mapping[str, Seen]) -> None:
        """A name that differs only in its Unicode form is the same name (section 6), and worth a warning."""
        spelled: dict[str, list[str]] = {}
        for path in files.keys() - manifest.entries.keys():
            spelled.setdefault(unicodedata.normalize("NFC", path), []).append(path)
        listed = {unicodedata.normalize("NFC", path): path for path in files.keys() & manifest.entries.keys()}
        for path in sorted(manifest.entries.keys() - files.keys()):
            found = spelled.get(unicodedata.normalize("NFC", path), [])
            twin = listed.get(unicodedata.normalize("NFC", path), "")
            if twin and manifest.entries[twin] == manifest.entries[path]:
                del manifest.entries[path]
                self.add(
                    twin,
                    "malformed",
                    f"{manifest.name} lists it twice, in two Unicode forms (RFC 8493 section 6)",
                    warning=True,
                )
            elif len(found) == 1:
                manifest.entries[found[0]] = manifest.entries.pop(path)
                self.add(
                    found[0],
                    "malformed",
                    f"{manifest.name} spells its name in another Unicode form (RFC 8493 section 6)",
                    warning=True,
                )
            elif not self.strict and ("\n" in path or "\r" in path):
                self.respell_literal(manifest, path, files)

    def respell_literal(self, manifest: Manifest, path: str, files: Mapping[str, Seen]) -> None:
        """Before 1.0 `%0A` in a manifest may also be meant literally."""
        literal = path.replace("\r", "%0D").replace("\n", "%0A")
        if literal in files and literal not in manifest.entries:
            manifest.entries[literal] = manifest.entries.pop(path)
            self.add(
                literal, "malformed", f"{manifest.name} does not say whether % is meant as such", warning=True
            )

    def absence(self, path: str) -> str:
        if path in self.seen.directories:
            return "a manifest lists a folder; only files can be listed (RFC 8493 section 2.1.3)"
        if "\\" in path and path.replace("\\", "/") in self.files:
            return "a manifest lists it with backslashes; the separator is / (RFC 8493 section 2.1.3)"
        return "a manifest lists it, but it is not there (RFC 8493 section 3)"

    def read_fetch(self) -> None:
        """Step 7, first half: what is still to be fetched is known before what is missing is told."""
        raw = self.seen.tags.get("fetch.txt")
        self.fetch: list[str] = []
        if raw is None:
            return
        self.fetch, complaints = read_fetch(raw, self.encoding, self.version)
        self.complain("fetch.txt", complaints)
        self.wanted = {path for path in self.fetch if path not in self.files}

    def fetch_against_manifests(self) -> None:
        """Step 7, second half: each line is a payload file that every manifest lists; none is fetched."""
        for path in self.fetch:
            if why := unsafe_path(path):
                self.add(path, "unsafe", f"fetch.txt lists it, but {why} (RFC 8493 section 5)")
            elif not path.startswith("data/"):
                self.add(path, "malformed", "fetch.txt lists a tag file (RFC 8493 section 2.2.3)")
            elif self.of_payload and not all(path in each.entries for each in self.of_payload):
                self.add(
                    path, "undeclared", "fetch.txt lists it, a manifest does not (RFC 8493 section 2.2.3)"
                )
        for path in sorted(self.wanted):
            self.add(path, "incomplete", "it still has to be fetched; nothing is ever fetched here")

    def read_info(self) -> None:
        """Step 8: the form, the sum of octets and files, and labels that may stand once."""
        name = _INFO_NAMES.get(self.version, "bag-info.txt")
        raw = self.seen.tags.get(name)
        if raw is None:
            return
        self.info, complaints = read_info(raw, self.encoding, self.version)
        self.complain(name, complaints)
        oxums = [value for label, value in self.info if label.lower() == "payload-oxum"]
        if len(oxums) > 1:
            self.add(
                name,
                "malformed",
                "Payload-Oxum is repeated (RFC 8493 section 2.2.2)",
                warning=not self.strict,
            )
        for oxum in oxums:
            self.oxum(name, oxum)
        for label in ("bag-size", "bagging-date", "bag-group-identifier", "bag-count"):
            if sum(each.lower() == label for each, _ in self.info) > 1:
                self.add(
                    name,
                    "malformed",
                    f"{label} should not be repeated (RFC 8493 section 2.2.2)",
                    warning=True,
                )

    def oxum(self, name: str, oxum: str) -> None:
        match = _OXUM.fullmatch(oxum)
        size_bytes = sum(each.size_bytes for each in self.payload.values())
        count = len(self.payload)
        for plain in self.proved[:1]:
            size_bytes, count = size_bytes + sum(plain.sizes), count + len(plain.paths)
        if match is None:
            self.add(
                name, "malformed", f"Payload-Oxum is {oxum!r}, not octets.files (RFC 8493 section 2.2.2)"
            )
        elif (int(match[1]), int(match[2])) != (size_bytes, count):
            self.add(
                name,
                "incomplete",
                (f"Payload-Oxum says {oxum}, but {size_bytes}.{count} is there (RFC 8493 section 2.2.2)"),
            )

    def names(self) -> None:
        """Step 9: names that are one on another file system, by case or Unicode form, or none at all."""
        others = {*self.files, *self.seen.directories}
        for manifest in self.manifests:
            if not manifest.entries.keys() <= others:
                others.update(manifest.entries)
        every = [*others, *chain.from_iterable(plain.paths for plain in self.proved)]
        # A look at thousands as one text: to search each takes as long as to read its file.
        keys, plain = set[int](), True
        for at in range(0, len(every), NAMES_AT_ONCE):
            some = every[at : at + NAMES_AT_ONCE]
            text = "\n/".join(("", *some)).lower()
            if any(each in text for each in _SUSPECTS):
                self.unmakeable(some)
            parted = text.split("\n/")[1:]
            plain = plain and text.isascii() and len(parted) == len(some)
            keys.update(map(hash, parted))
        # For names in ASCII the key is the name in lower case, and equal keys have equal hashes.
        if not (plain and len(keys) == len(every)) and len(set(map(name_key, every))) != len(every):
            self.told_apart(every)

    def told_apart(self, every: Iterable[str]) -> None:
        """Names that differ only in case or Unicode form."""
        keys: dict[str, str] = {}
        for path in sorted(every):
            first = keys.setdefault(name_key(path), path)
            if first != path:
                same_form = unicodedata.normalize("NFC", first) == unicodedata.normalize("NFC", path)
                what = "Unicode form" if same_form else "case"
                self.add(
                    path,
                    "malformed",
                    f"its name differs from {first!r} only in {what} (RFC 8493 section 6)",
                    warning=True,
                )

    def unmakeable(self, every: Iterable[str]) -> None:
        """Names that the bag cannot keep where somebody copies it to Windows."""
        for path in sorted(every):
            refused = next(filter(windows_refuses, path.split("/")), None)
            if refused is not None:
                self.add(
                    path,
                    "malformed",
                    f"Windows cannot make a file named {refused!r} (RFC 8493 section 6)",
                    warning=True,
                )

    def conclude(self) -> Verdict:
        errors = [each for each in self.problems if each.severity == "error"]
        digested = [each for each in self.files.values() if each.digests]
        count = len(digested) + sum(len(plain.paths) for plain in self.proved)
        size_bytes = sum(each.size_bytes for each in digested) + sum(
            sum(plain.sizes) for plain in self.proved
        )
        return Verdict(
            complete=all(each.kind == "altered" for each in errors),
            valid=not errors,
            problems=tuple(sorted(set(self.problems), key=lambda each: (each.path, each.kind, each.means))),
            version=self.version,
            files=count,
            size_bytes=size_bytes,
            algorithms=tuple(sorted({each.algorithm for each in self.of_payload if each.algorithm})),
            receipt=receipt_of(self.seen.tags),
            info=tuple(self.info),
        )
