"""Manifests that are what would be written, byte for byte: the judge need not read them, and says as much."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from hashlib import new

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.bags.as_written import are_as_written
from pipeline.bags.observed import Observation, PlainFiles
from pipeline.bags.parse_tag_files import algorithms_of
from pipeline.bags.validate import judge
from pipeline.bags.write_tag_files import DECLARATION, encode_path

Change = Callable[[bytes], bytes]

PAYLOAD = {"data/a.bin": b"aaa", "data/b/c.bin": b"cc", "data/b/d.bin": b""}
ALTERED: Mapping[str, tuple[str, Change]] = {
    "a digest": ("manifest-sha256.txt", lambda raw: bytes([raw[0] ^ 1]) + raw[1:]),
    "a digest in capitals": ("manifest-sha512.txt", lambda raw: raw[:128].upper() + raw[128:]),
    "a path": ("manifest-sha256.txt", lambda raw: raw.replace(b"a.bin", b"A.bin")),
    "the order": ("manifest-sha256.txt", lambda raw: b"".join(reversed(raw.splitlines(keepends=True)))),
    "a line twice": ("manifest-sha256.txt", lambda raw: raw + raw.splitlines(keepends=True)[-1]),
    "a line less": ("manifest-sha512.txt", lambda raw: b"".join(raw.splitlines(keepends=True)[:-1])),
    "no last line end": ("manifest-sha512.txt", lambda raw: raw[:-1]),
    "other line ends": ("manifest-sha512.txt", lambda raw: raw.replace(b"\n", b"\r\n")),
    "a mark of order": ("manifest-sha512.txt", lambda raw: b"\xef\xbb\xbf" + raw),
    "a tag file's digest": ("tagmanifest-sha256.txt", lambda raw: bytes([raw[0] ^ 1]) + raw[1:]),
    "nothing listed": ("tagmanifest-sha256.txt", lambda raw: raw[:0]),
    "the declaration": ("bagit.txt", lambda raw: raw.replace(b"1.0", b"0.97")),
    "the encoding": ("bagit.txt", lambda raw: raw.replace(b"UTF-8", b"ISO-8859-1")),
}


def in_columns(files: Mapping[str, bytes], tags: Mapping[str, bytes]) -> Observation:
    """A bag whose files are all plain."""
    of_payload, of_tags = algorithms_of([*tags])
    others = {path: raw for path, raw in files.items() if not path.startswith("data/")} | dict(tags)
    payload = {path: raw for path, raw in files.items() if path.startswith("data/")}
    return Observation(
        "bag",
        dict(tags),
        (),
        ("data", "data/b"),
        of_payload,
        of_tags,
        plain_payload=_columns(payload, of_payload),
        plain_tags=_columns(others, of_tags),
    )


def _columns(files: Mapping[str, bytes], algorithms: tuple[str, ...]) -> PlainFiles:
    paths = sorted(files)
    digests = b"".join(new(name, files[path]).digest() for path in paths for name in algorithms)
    return PlainFiles(paths, [len(files[path]) for path in paths], digests, algorithms)


def one_by_one(seen: Observation) -> Observation:
    """The same, each file by itself: the judge reads the manifests."""
    return seen._replace(found=seen.seen, plain_payload=PlainFiles(), plain_tags=PlainFiles())


def whole(files: Mapping[str, bytes], tags: Mapping[str, bytes] | None = None) -> dict[str, bytes]:
    """The tag files of a bag, its manifests as our writer writes them."""
    payload = [(path, raw) for path, raw in files.items() if path.startswith("data/")]
    listed = {"bagit.txt": DECLARATION.encode(), **(tags or {})}
    for name in ("sha256", "sha512"):
        listed[f"manifest-{name}.txt"] = _manifest(name, payload)
    others = [*listed.items(), *((path, raw) for path, raw in files.items() if not path.startswith("data/"))]
    return listed | {f"tagmanifest-{name}.txt": _manifest(name, others) for name in ("sha256", "sha512")}


def _manifest(name: str, files: list[tuple[str, bytes]]) -> bytes:
    ordered = sorted(files, key=lambda file: file[0].encode())
    return "".join(f"{new(name, raw).hexdigest()}  {encode_path(path)}\n" for path, raw in ordered).encode()


def test_what_our_writer_writes_needs_no_reading_and_is_judged_alike() -> None:
    files = PAYLOAD | {"metadata/notes.txt": b"n"}
    seen = in_columns(files, whole(files, {"bag-info.txt": b"Payload-Oxum: 5.3\n"}))
    assert are_as_written(seen)
    verdict = judge(seen)
    assert verdict == judge(one_by_one(seen))
    assert (verdict.valid, verdict.problems, verdict.files) == (True, (), 10)
    assert verdict.size_bytes == 6 + sum(map(len, seen.tags.values()))


@pytest.mark.parametrize("what", ALTERED)
def test_a_bag_of_which_anything_differs_is_read_and_judged_alike(what: str) -> None:
    name, change = ALTERED[what]
    tags = whole(PAYLOAD)
    altered = tags | {name: change(tags[name])}
    assert altered != tags
    seen = in_columns(PAYLOAD, altered)
    assert not are_as_written(seen) or what == "the encoding"
    assert judge(seen) == judge(one_by_one(seen))
    assert judge(seen).problems


@pytest.mark.parametrize(
    "files",
    [
        {"data/%": b""},
        {"data/a:b": b""},
        {"data/..x": b""},
        {"data/x\ny": b""},
        {"data/x\ry": b""},
        {"data/caf\udce9": b""},
        {"data/a": b"", ".hidden": b""},
        {"data/a": b"", "~": b""},
        {"data/a": b"", "*a": b""},
        {"data/a": b"", " a": b""},
        {"data/a": b"", "\\a": b""},
        {"metadata/a": b""},
    ],
)
def test_names_of_which_there_may_be_something_to_say_are_read(files: Mapping[str, bytes]) -> None:
    lossy = {path.encode(errors="replace").decode(): raw for path, raw in files.items()}
    seen = in_columns(files, whole(lossy))
    assert not are_as_written(seen)
    assert judge(seen) == judge(one_by_one(seen))


def test_what_is_to_be_fetched_and_a_manifest_that_no_tag_manifest_lists_are_read() -> None:
    fetched = in_columns(PAYLOAD, whole(PAYLOAD, {"fetch.txt": b"http://x.example/a - data/a.bin\n"}))
    assert not are_as_written(fetched)
    assert judge(fetched) == judge(one_by_one(fetched))
    later = whole(PAYLOAD)
    later["manifest-md5.txt"] = _manifest("md5", [*PAYLOAD.items()])
    unlisted = in_columns(PAYLOAD, later)
    assert not are_as_written(unlisted)
    assert judge(unlisted) == judge(one_by_one(unlisted))


NAMES = st.text(st.sampled_from("aAbä\u0308.%/\\ :~*-\n\r\x85\u2028"), min_size=1, max_size=8).map(
    lambda name: "/".join(part for part in name.split("/") if part not in {"", ".", ".."}) or "x"
)


@given(
    names=st.sets(NAMES, min_size=1, max_size=6),
    others=st.sets(NAMES.filter(lambda name: name.split("/")[0] != "data"), max_size=3),
)
def test_any_names_are_judged_alike_in_columns_and_one_by_one(names: set[str], others: set[str]) -> None:
    files = {f"data/{name}": name.encode() for name in names} | {f"m/{name}": b"" for name in others}
    seen = in_columns(files, whole(files))
    assert judge(seen) == judge(one_by_one(seen))
    odd = any(character in "".join(files) for character in "%:\n\r")
    assert are_as_written(seen) or odd or ".." in "\n".join(files)
