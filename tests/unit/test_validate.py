"""The judge of a bag on bags that are values: every difference is told once, with its clause and its weight.

Source of every rule: RFC 8493, the section named in the sentence that is expected.
"""

from __future__ import annotations

import codecs
import hashlib
from collections.abc import Mapping

import pytest

from pipeline.bags.observed import Observation, PlainFiles, Seen, Trouble, Verdict
from pipeline.bags.parse_tag_files import algorithms_of
from pipeline.bags.validate import judge

PAYLOAD = {"data/a.bin": b"aaa", "data/sub/b.bin": b"bb"}
DECLARATION = b"BagIt-Version: %s\nTag-File-Character-Encoding: UTF-8\n"
COMPOSED, DECOMPOSED = "data/\u00e9.bin", "data/e\u0301.bin"


def manifest(files: Mapping[str, bytes], algorithm: str = "sha256") -> bytes:
    lines = [f"{hashlib.new(algorithm, held).hexdigest()}  {path}\n" for path, held in files.items()]
    return "".join(lines).encode()


def bag(
    payload: Mapping[str, bytes] = PAYLOAD,
    tags: Mapping[str, bytes | None] | None = None,
    *,
    version: str = "1.0",
    directories: tuple[str, ...] = ("data", "data/sub"),
    beside: tuple[Seen, ...] = (),
    oddities: tuple[tuple[str, str], ...] = (),
    remarks: tuple[tuple[str, str], ...] = (),
) -> Observation:
    """What would be seen of a bag; `tags` stand beside `bagit.txt` and a manifest, or take their place."""
    made = {
        "bagit.txt": DECLARATION % version.encode(),
        "manifest-sha256.txt": manifest(payload),
        **(tags or {}),
    }
    held = {name: raw for name, raw in made.items() if raw is not None}
    for_payload, for_tags = algorithms_of([*held])
    seen = [_seen(path, raw, for_payload) for path, raw in payload.items()]
    seen += [_seen(name, raw, for_tags) for name, raw in held.items()]
    everything = tuple(sorted([*seen, *beside]))
    return Observation(
        "bag", held, everything, directories, for_payload, for_tags, oddities=oddities, remarks=remarks
    )


def _seen(path: str, raw: bytes, algorithms: tuple[str, ...]) -> Seen:
    return Seen(path, "regular", len(raw), tuple(hashlib.new(each, raw).digest() for each in algorithms))


def in_columns(observation: Observation) -> Observation:
    """The same as a folder's is observed: its plain files in columns."""
    plain = [
        each for each in observation.found if (each.kind, each.links, each.trouble) == ("regular", 1, "")
    ]
    payload = [each for each in plain if each.path.startswith("data/")]
    tags = [each for each in plain if not each.path.startswith("data/")]
    return observation._replace(
        found=tuple(each for each in observation.found if each not in plain),
        plain_payload=_columns(payload, observation.payload_algorithms),
        plain_tags=_columns(tags, observation.tag_algorithms),
    )


def _columns(some: list[Seen], algorithms: tuple[str, ...]) -> PlainFiles:
    some.sort()
    digests = b"".join(digest for each in some for digest in each.digests)
    return PlainFiles([each.path for each in some], [each.size_bytes for each in some], digests, algorithms)


def problems(observation: Observation) -> list[Trouble]:
    verdict = judge(observation)
    assert verdict.valid == all(each.severity == "warning" for each in verdict.problems)
    assert judge(in_columns(observation)) == verdict
    return list(verdict.problems)


def test_a_whole_bag_is_valid_and_its_payload_is_counted() -> None:
    info = b"Bag-Count: 1 of 2\nPayload-Oxum: 5.2\n"
    observation = bag(tags={"bag-info.txt": info})
    receipt = hashlib.sha256(
        "".join(
            f"{hashlib.sha256(raw).hexdigest()}  {name}\n" for name, raw in sorted(observation.tags.items())
        ).encode()
    ).hexdigest()
    assert judge(observation) == Verdict(
        complete=True,
        valid=True,
        problems=(),
        version="1.0",
        files=2,
        size_bytes=5,
        algorithms=("sha256",),
        receipt=receipt,
        info=(("Bag-Count", "1 of 2"), ("Payload-Oxum", "5.2")),
    )


def test_every_payload_algorithm_is_named_but_not_those_of_tag_manifests() -> None:
    tags = {
        "manifest-sha512.txt": manifest(PAYLOAD, "sha512"),
        "tagmanifest-md5.txt": b"",
    }
    assert judge(bag(tags=tags)).algorithms == ("sha256", "sha512")


def test_a_bag_without_a_payload_folder_is_incomplete() -> None:
    assert problems(bag(directories=())) == [
        Trouble("data", "incomplete", "there is no payload folder (RFC 8493 section 2.1.2)")
    ]


def test_a_bag_without_a_payload_manifest_vouches_for_nothing() -> None:
    assert problems(bag(tags={"manifest-sha256.txt": None})) == [
        Trouble("data/a.bin", "unexpected", "no payload manifest lists it (RFC 8493 section 3)"),
        Trouble("data/sub/b.bin", "unexpected", "no payload manifest lists it (RFC 8493 section 3)"),
        Trouble("manifest-*.txt", "incomplete", "there is no payload manifest (RFC 8493 section 2.1.3)"),
    ]


def test_a_bag_whose_manifests_are_all_empty_has_checked_nothing_and_does_not_pass() -> None:
    tags = {"manifest-sha512.txt": b""}
    assert problems(bag({}, tags)) == [
        Trouble("data", "incomplete", "the manifests list no file: checking nothing is never a pass")
    ]


def test_one_manifest_that_lists_a_file_is_enough_to_have_checked_something() -> None:
    files = {"data/a.bin": b"aaa"}
    found = problems(bag(files, {"manifest-sha512.txt": b""}))
    assert [(each.path, each.kind) for each in found] == [("data/a.bin", "undeclared")]


def test_a_fault_of_the_declaration_is_told_under_its_own_name() -> None:
    assert problems(bag(tags={"bagit.txt": None})) == [
        Trouble("bagit.txt", "incomplete", "there is no bagit.txt (RFC 8493 section 2.1.1)")
    ]


def test_what_an_archive_did_wrong_is_unsafe_and_what_lies_beside_is_a_warning() -> None:
    assert problems(bag(oddities=(("x", "it is twice in the archive"),), remarks=(("y", "a comment"),))) == [
        Trouble("x", "unsafe", "it is twice in the archive"),
        Trouble("y", "unexpected", "a comment", "warning"),
    ]


def test_a_link_is_unsafe_whatever_it_leads_to() -> None:
    assert problems(bag(beside=(Seen("data/link", "link", 0),))) == [
        Trouble("data/link", "unsafe", "it is a link; a bag holds regular files only")
    ]


def test_a_file_that_cannot_be_read_is_missing_with_the_reason() -> None:
    listed = {"manifest-sha256.txt": manifest({**PAYLOAD, "data/z": b"z"})}
    found = problems(bag(tags=listed, beside=(Seen("data/z", "regular", 1, trouble="permission denied"),)))
    assert found == [Trouble("data/z", "missing", "it cannot be read: permission denied")]


@pytest.mark.parametrize(("links", "told"), [(1, False), (2, True)])
def test_a_second_name_of_a_file_is_a_warning_because_a_change_there_changes_it_here(
    links: int, *, told: bool
) -> None:
    means = "it has 2 names on its file system; a change under another one changes it here"
    expected = [Trouble("notes.txt", "unsafe", means, "warning")] if told else []
    assert problems(bag(beside=(Seen("notes.txt", "regular", 0, links=links),))) == expected


@pytest.mark.parametrize(
    ("name", "path", "kind", "means"),
    [
        (
            "manifest-sha256.txt",
            "../x",
            "unsafe",
            "manifest-sha256.txt lists it, but it climbs out of the bag (RFC 8493 section 5)",
        ),
        (
            "manifest-sha256.txt",
            "data/../../x",
            "unsafe",
            "manifest-sha256.txt lists it, but it climbs out of the bag (RFC 8493 section 5)",
        ),
        (
            "manifest-sha256.txt",
            "data/\0",
            "unsafe",
            "manifest-sha256.txt lists it, but it holds a zero byte (RFC 8493 section 5)",
        ),
        (
            "manifest-sha256.txt",
            "bagit.txt",
            "malformed",
            "manifest-sha256.txt lists a file outside data/ (RFC 8493 section 2.1.3)",
        ),
        (
            "tagmanifest-sha256.txt",
            "data/a.bin",
            "malformed",
            "tagmanifest-sha256.txt lists a payload file (RFC 8493 section 2.2.1)",
        ),
        (
            "tagmanifest-sha256.txt",
            "data/../../x",
            "unsafe",
            "tagmanifest-sha256.txt lists it, but it climbs out of the bag (RFC 8493 section 5)",
        ),
        (
            "tagmanifest-sha256.txt",
            "tagmanifest-sha256.txt",
            "malformed",
            "tagmanifest-sha256.txt lists a tag manifest (RFC 8493 section 2.2.1)",
        ),
    ],
)
def test_an_entry_that_a_manifest_must_not_have_is_told_and_followed_no_further(
    name: str, path: str, kind: str, means: str
) -> None:
    tags = {"manifest-sha256.txt": manifest(PAYLOAD)}
    tags["tagmanifest-sha256.txt"] = manifest({"bagit.txt": DECLARATION % b"1.0"})
    tags[name] += manifest({path: b"x"})
    wanted = [each for each in problems(bag(tags=tags)) if each.kind != "undeclared"]
    assert [tuple(each) for each in wanted] == [(path, kind, means, "error")]


def test_a_tag_manifest_in_a_folder_is_a_tag_file_like_any_other() -> None:
    path = "tagmanifest-old/md5.txt"
    held = {path: b"kept"}
    entry = _seen(path, b"kept", ("sha256",))
    tags = {"tagmanifest-sha256.txt": manifest(_vouched() | held)}
    assert (
        problems(bag(tags=tags, beside=(entry,), directories=("data", "data/sub", "tagmanifest-old"))) == []
    )


def _vouched() -> dict[str, bytes]:
    return dict(bag().tags)


def test_a_payload_file_that_one_of_two_manifests_does_not_list_is_undeclared() -> None:
    tags = {"manifest-sha512.txt": manifest({"data/a.bin": b"aaa"}, "sha512")}
    means = "manifest-sha512.txt does not list it, another manifest does (RFC 8493 section 3)"
    assert problems(bag(tags=tags)) == [Trouble("data/sub/b.bin", "undeclared", means)]
    assert problems(bag(tags=tags, version="0.97")) == [
        Trouble("data/sub/b.bin", "undeclared", means, "warning")
    ]


def test_a_payload_manifest_that_no_tag_manifest_lists_is_an_error_and_another_tag_file_a_warning() -> None:
    tags = {"tagmanifest-sha256.txt": b"", "notes.txt": b"n"}
    found = problems(bag(tags=tags))
    vouch = "tagmanifest-sha256.txt does not list it, so it does not vouch for it (RFC 8493 section 2.2.1)"
    assert found == [
        Trouble("bagit.txt", "undeclared", vouch, "warning"),
        Trouble(
            "manifest-sha256.txt",
            "undeclared",
            "tagmanifest-sha256.txt does not list it (RFC 8493 section 2.2.1)",
        ),
        Trouble("notes.txt", "undeclared", vouch, "warning"),
    ]


def test_a_tag_file_that_a_tag_manifest_lists_and_nobody_has_is_missing() -> None:
    tags = {"tagmanifest-sha256.txt": manifest(_vouched() | {"gone.txt": b""})}
    assert problems(bag(tags=tags)) == [
        Trouble("gone.txt", "missing", "a manifest lists it, but it is not there (RFC 8493 section 3)")
    ]


def test_a_tag_file_that_one_of_two_tag_manifests_lists_is_undeclared_by_the_other_though_nobody_has_it() -> (
    None
):
    tags = {
        "tagmanifest-md5.txt": manifest(_vouched(), "md5"),
        "tagmanifest-sha256.txt": manifest(_vouched() | {"gone.txt": b""}),
    }
    vouch = "tagmanifest-md5.txt does not list it, so it does not vouch for it (RFC 8493 section 2.2.1)"
    assert problems(bag(tags=tags)) == [
        Trouble("gone.txt", "missing", "a manifest lists it, but it is not there (RFC 8493 section 3)"),
        Trouble("gone.txt", "undeclared", vouch, "warning"),
    ]


def test_an_altered_tag_file_is_found_by_the_digest_of_its_own_manifest() -> None:
    tags = {"tagmanifest-md5.txt": manifest(_vouched() | {"bagit.txt": b"before"}, "md5")}
    assert problems(bag(tags=tags)) == [
        Trouble("bagit.txt", "altered", "its digest is not the one of tagmanifest-md5.txt")
    ]


def test_an_altered_file_is_complete_and_not_valid() -> None:
    before = {"data/a.bin": b"xyz", "data/sub/b.bin": b"bb"}
    verdict = judge(bag(tags={"manifest-sha256.txt": manifest(before)}))
    assert (verdict.complete, verdict.valid) == (True, False)
    assert verdict.problems == (
        Trouble("data/a.bin", "altered", "its digest is not the one of manifest-sha256.txt"),
    )


def test_an_altered_file_is_told_beside_one_that_is_missing_and_one_that_nobody_lists() -> None:
    listed = {"manifest-sha256.txt": manifest({**PAYLOAD, "data/gone.bin": b"g"})}
    found = problems(bag({"data/a.bin": b"aXa", "data/sub/b.bin": b"bb", "data/new.bin": b"n"}, listed))
    assert [(each.path, each.kind) for each in found] == [
        ("data/a.bin", "altered"),
        ("data/gone.bin", "missing"),
        ("data/new.bin", "unexpected"),
    ]


def test_an_altered_file_is_told_beside_one_that_cannot_be_read() -> None:
    whole = bag({"data/a.bin": b"aXa", "data/sub/b.bin": b"bb"}, {"manifest-sha256.txt": manifest(PAYLOAD)})
    unread = Seen("data/sub/b.bin", "regular", 2, (), trouble="Input/output error")
    seen = tuple(unread if each.path == unread.path else each for each in whole.seen)
    assert [(each.path, each.kind) for each in problems(whole._replace(found=seen))] == [
        ("data/a.bin", "altered"),
        ("data/sub/b.bin", "missing"),
    ]


def test_two_files_that_changed_places_are_altered_though_the_manifest_lists_them_in_that_order() -> None:
    backwards = {"manifest-sha256.txt": manifest(dict(reversed(PAYLOAD.items())))}
    assert problems(bag(PAYLOAD, backwards)) == []
    exchanged = {"data/a.bin": b"bb", "data/sub/b.bin": b"aaa"}
    assert [(each.path, each.kind) for each in problems(bag(exchanged, backwards))] == [
        ("data/a.bin", "altered"),
        ("data/sub/b.bin", "altered"),
    ]


def test_a_manifest_that_agrees_while_another_does_not_puts_manifests_themselves_in_doubt() -> None:
    before = manifest({"data/a.bin": b"xyz", "data/sub/b.bin": b"bb"}, "md5")
    tags = {
        "manifest-md5.txt": before,
        "manifest-sha1.txt": manifest(PAYLOAD, "sha1"),
        "manifest-sha512.txt": manifest({"data/a.bin": b"uvw", "data/sub/b.bin": b"bb"}, "sha512"),
    }
    assert problems(bag(tags=tags)) == [
        Trouble(
            "data/a.bin",
            "altered",
            "its digest is not the one of manifest-md5.txt and manifest-sha512.txt, though manifest-sha1.txt "
            "and manifest-sha256.txt agrees: a manifest itself is in doubt",
        )
    ]


def test_a_manifest_of_unknown_digests_lists_files_but_vouches_for_none() -> None:
    tags = {
        "manifest-crc9.txt": b"00  data/a.bin\n00  data/c.bin\n",
        "manifest-sha256.txt": manifest(PAYLOAD),
    }
    assert [(each.path, each.kind) for each in problems(bag(tags=tags))] == [
        ("data/c.bin", "missing"),
        ("data/c.bin", "undeclared"),
        ("data/sub/b.bin", "undeclared"),
        ("manifest-crc9.txt", "malformed"),
    ]


@pytest.mark.parametrize(
    ("listed", "means"),
    [
        ("data/sub", "a manifest lists a folder; only files can be listed (RFC 8493 section 2.1.3)"),
        (
            "data\\a.bin",
            "a manifest lists it with backslashes; the separator is / (RFC 8493 section 2.1.3)",
        ),
        ("data/c\\d", "a manifest lists it, but it is not there (RFC 8493 section 3)"),
        ("data/gone", "a manifest lists it, but it is not there (RFC 8493 section 3)"),
    ],
)
def test_what_a_manifest_lists_and_the_bag_has_not_is_missing_for_a_reason(listed: str, means: str) -> None:
    tags = {"manifest-sha256.txt": manifest({**PAYLOAD, listed: b""})}
    wanted = [each for each in problems(bag(tags=tags)) if each.kind == "missing"]
    if listed.startswith("data/"):
        assert wanted == [Trouble(listed, "missing", means)]
    else:  # outside data/ it is told as such, and followed no further
        assert wanted == []
        tags = {"tagmanifest-sha256.txt": manifest(_vouched() | {listed: b""})}
        assert [each for each in problems(bag(tags=tags)) if each.kind == "missing"] == [
            Trouble(listed, "missing", means)
        ]


def test_a_name_in_another_unicode_form_is_the_same_name_and_a_warning() -> None:
    listed = {"manifest-sha256.txt": manifest({DECOMPOSED: b"e"})}
    assert problems(bag({COMPOSED: b"e"}, listed)) == [
        Trouble(
            COMPOSED,
            "malformed",
            "manifest-sha256.txt spells its name in another Unicode form (RFC 8493 section 6)",
            "warning",
        )
    ]


def test_a_name_in_another_unicode_form_is_held_to_its_digest() -> None:
    listed = {"manifest-sha256.txt": manifest({DECOMPOSED: b"other"})}
    assert [each.kind for each in problems(bag({COMPOSED: b"e"}, listed))] == ["altered", "malformed"]


def test_one_file_listed_in_both_unicode_forms_with_one_digest_is_listed_twice() -> None:
    listed = {"manifest-sha256.txt": manifest({COMPOSED: b"e", DECOMPOSED: b"e"})}
    assert problems(bag({COMPOSED: b"e"}, listed)) == [
        Trouble(
            COMPOSED,
            "malformed",
            "manifest-sha256.txt lists it twice, in two Unicode forms (RFC 8493 section 6)",
            "warning",
        )
    ]


def test_one_file_listed_in_both_unicode_forms_with_two_digests_leaves_one_missing() -> None:
    listed = {"manifest-sha256.txt": manifest({COMPOSED: b"e", DECOMPOSED: b"other"})}
    assert (DECOMPOSED, "missing") in [
        (each.path, each.kind) for each in problems(bag({COMPOSED: b"e"}, listed))
    ]


def test_a_third_form_of_a_name_that_two_files_have_names_neither() -> None:
    first, second, third = "data/\u1e69", "data/s\u0323\u0307", "data/s\u0307\u0323"
    listed = {"manifest-sha256.txt": manifest({third: b"e"})}
    kinds = {(each.path, each.kind) for each in problems(bag({first: b"e", second: b"e"}, listed))}
    assert {(third, "missing"), (first, "unexpected"), (second, "unexpected")} <= kinds


@pytest.mark.parametrize(("letter", "written"), [("\n", "%0A"), ("\r", "%0D")])
def test_before_1_0_a_percent_sign_may_be_meant_as_such(letter: str, written: str) -> None:
    literal = f"data/x{written}y"
    listed = {"manifest-sha256.txt": manifest({literal: b"x"})}
    observation = bag({literal: b"x"}, listed, version="0.97")
    assert [each for each in problems(observation) if each.severity == "error"] == []
    assert Trouble(
        literal, "malformed", "manifest-sha256.txt does not say whether % is meant as such", "warning"
    ) in problems(observation)
    assert (f"data/x{letter}y", "missing") in [
        (each.path, each.kind) for each in problems(bag({literal: b"x"}, listed))
    ]


def test_before_1_0_a_name_with_a_line_feed_that_is_not_there_is_missing_under_that_name() -> None:
    listed = {"manifest-sha256.txt": manifest({**PAYLOAD, "data/x%0Ay": b"x"})}
    assert problems(bag(tags=listed, version="0.97")) == [
        Trouble("data/x\ny", "missing", "a manifest lists it, but it is not there (RFC 8493 section 3)")
    ]


@pytest.mark.parametrize(
    ("name", "raw"),
    [
        ("manifest-sha256.txt", manifest(PAYLOAD)),
        ("bag-info.txt", b"Bag-Count: 1\n"),
        ("fetch.txt", b"https://a.example/a 3 data/a.bin\n"),
    ],
)
@pytest.mark.parametrize(("version", "severity"), [("1.0", "error"), ("0.97", "warning")])
def test_a_byte_order_mark_in_any_tag_file_is_an_error_since_1_0(
    name: str, raw: bytes, version: str, severity: str
) -> None:
    means = "it begins with a byte-order mark, which UTF-8 tag files must not (RFC 8493 section 2.3)"
    found = problems(bag(tags={name: codecs.BOM_UTF8 + raw}, version=version))
    assert [tuple(each) for each in found] == [(name, "malformed", means, severity)]


def test_a_file_that_fetch_txt_names_and_is_not_there_is_still_to_be_fetched_and_not_missing() -> None:
    tags = {
        "fetch.txt": b"https://a.example/c 1 data/c.bin\nhttps://a.example/a 3 data/a.bin\n",
        "manifest-sha256.txt": manifest({**PAYLOAD, "data/c.bin": b"c"}),
    }
    verdict = judge(bag(tags=tags))
    assert verdict.problems == (
        Trouble("data/c.bin", "incomplete", "it still has to be fetched; nothing is ever fetched here"),
    )
    assert not verdict.complete


@pytest.mark.parametrize(
    ("path", "kind", "means"),
    [
        ("../x", "unsafe", "fetch.txt lists it, but it climbs out of the bag (RFC 8493 section 5)"),
        ("notes.txt", "malformed", "fetch.txt lists a tag file (RFC 8493 section 2.2.3)"),
        ("data/c", "undeclared", "fetch.txt lists it, a manifest does not (RFC 8493 section 2.2.3)"),
    ],
)
def test_what_fetch_txt_must_not_list_is_told(path: str, kind: str, means: str) -> None:
    tags = {"fetch.txt": f"https://a.example/x 1 {path}\n".encode()}
    told = [tuple(each) for each in problems(bag(tags=tags)) if each.kind != "incomplete"]
    assert told == [(path, kind, means, "error")]


def test_a_file_to_fetch_must_be_in_every_payload_manifest() -> None:
    files = {"data/a.bin": b"aaa"}
    tags = {
        "fetch.txt": b"https://a.example/c 1 data/c.bin\n",
        "manifest-sha256.txt": manifest({**files, "data/c.bin": b"c"}),
        "manifest-sha512.txt": manifest(files, "sha512"),
    }
    found = [each.means for each in problems(bag(files, tags)) if each.kind == "undeclared"]
    assert "fetch.txt lists it, a manifest does not (RFC 8493 section 2.2.3)" in found


def test_a_malformed_line_of_fetch_txt_is_told_under_its_name() -> None:
    assert problems(bag(tags={"fetch.txt": b"nonsense\n"})) == [
        Trouble("fetch.txt", "malformed", "line 1 is not URL, length and path (RFC 8493 section 2.2.3)")
    ]


def test_a_malformed_line_of_bag_info_is_told_under_its_name() -> None:
    assert problems(bag(tags={"bag-info.txt": b"nonsense\n"})) == [
        Trouble("bag-info.txt", "malformed", "line 1 is not `Label: value` (RFC 8493 section 2.2.2)")
    ]


@pytest.mark.parametrize(
    ("oxum", "kind", "means"),
    [
        ("5", "malformed", "Payload-Oxum is '5', not octets.files (RFC 8493 section 2.2.2)"),
        ("5.3", "incomplete", "Payload-Oxum says 5.3, but 5.2 is there (RFC 8493 section 2.2.2)"),
        ("4.2", "incomplete", "Payload-Oxum says 4.2, but 5.2 is there (RFC 8493 section 2.2.2)"),
    ],
)
def test_a_payload_that_is_not_as_large_as_it_says_is_told(oxum: str, kind: str, means: str) -> None:
    found = problems(bag(tags={"bag-info.txt": f"PAYLOAD-OXUM: {oxum}\n".encode()}))
    assert [tuple(each) for each in found] == [("bag-info.txt", kind, means, "error")]


@pytest.mark.parametrize(("version", "name"), [("0.95", "package-info.txt"), ("0.96", "bag-info.txt")])
def test_the_file_of_elements_has_the_name_of_its_version(version: str, name: str) -> None:
    tags = {"package-info.txt": b"Payload-Oxum: 0.0\n", "bag-info.txt": b"Payload-Oxum: 0.0\n"}
    assert [each.path for each in problems(bag(tags=tags, version=version))] == [name]


@pytest.mark.parametrize(("version", "severity"), [("1.0", "error"), ("0.97", "warning")])
def test_a_repeated_payload_oxum_is_an_error_since_1_0(version: str, severity: str) -> None:
    tags = {"bag-info.txt": b"Payload-Oxum: 5.2\npayload-oxum: 5.2\n"}
    assert [tuple(each) for each in problems(bag(tags=tags, version=version))] == [
        ("bag-info.txt", "malformed", "Payload-Oxum is repeated (RFC 8493 section 2.2.2)", severity)
    ]


@pytest.mark.parametrize("label", ["Bag-Size", "Bagging-Date", "Bag-Group-Identifier", "Bag-Count"])
def test_an_element_that_should_come_once_is_a_warning_when_it_comes_twice(label: str) -> None:
    once, twice = f"{label}: 1\n".encode(), f"{label}: 1\n{label.upper()}: 1\n".encode()
    assert problems(bag(tags={"bag-info.txt": once})) == []
    assert problems(bag(tags={"bag-info.txt": twice})) == [
        Trouble(
            "bag-info.txt",
            "malformed",
            f"{label.lower()} should not be repeated (RFC 8493 section 2.2.2)",
            "warning",
        )
    ]


@pytest.mark.parametrize(
    ("first", "second", "what"),
    [("data/A.bin", "data/a.bin", "case"), (DECOMPOSED, COMPOSED, "Unicode form")],
)
def test_two_names_that_are_one_on_some_system_are_a_warning(first: str, second: str, what: str) -> None:
    assert problems(bag({second: b"", first: b""})) == [
        Trouble(
            second,
            "malformed",
            f"its name differs from {first!r} only in {what} (RFC 8493 section 6)",
            "warning",
        )
    ]


def test_names_with_line_ends_hide_no_two_that_differ_only_in_case() -> None:
    """The judge looks at all names as one text first, in which such a name looks like two."""
    names = ["data/A.bin", "data/a.bin", "data/x\n/b"]
    listed = manifest(dict.fromkeys(names, b"")).replace(b"x\n", b"x%0A")
    found = problems(bag(dict.fromkeys(names, b""), {"manifest-sha256.txt": listed}))
    assert [(each.path, each.severity) for each in found] == [("data/a.bin", "warning")]


def test_a_folder_and_a_name_that_is_only_listed_can_meet_too() -> None:
    listed = {"manifest-sha256.txt": manifest({**PAYLOAD, "DATA/sub": b"", "data/SUB": b""})}
    found = [each.means for each in problems(bag(tags=listed)) if "case" in each.means]
    assert found == ["its name differs from 'data/SUB' only in case (RFC 8493 section 6)"]


@pytest.mark.parametrize(
    ("path", "refused"), [("data/aux.txt", "aux.txt"), ("data/a:b/c", "a:b"), ("data/Con", "Con")]
)
def test_a_name_that_windows_cannot_make_is_a_warning(path: str, refused: str) -> None:
    assert problems(bag({path: b"", "data/z": b""})) == [
        Trouble(
            path,
            "malformed",
            f"Windows cannot make a file named {refused!r} (RFC 8493 section 6)",
            "warning",
        )
    ]


def test_a_tag_file_that_windows_cannot_make_is_a_warning_too() -> None:
    found = problems(bag(beside=(Seen("aux.txt", "regular", 0),)))
    assert [(each.path, each.kind, each.severity) for each in found] == [("aux.txt", "malformed", "warning")]


def test_problems_are_told_in_the_order_of_paths_and_each_once() -> None:
    twice = (("b", "odd"), ("a", "odd"), ("b", "odd"))
    assert [each.path for each in problems(bag(oddities=twice))] == ["a", "b"]
