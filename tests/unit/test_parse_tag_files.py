"""Tag files read strictly: what is taken, and every complaint with its clause and its weight.

Source of every rule: RFC 8493, the section named in the sentence; for 0.93 to 0.97 draft-kunze-bagit.
"""

from __future__ import annotations

import codecs
import hashlib

import pytest

from pipeline.bags.parse_tag_files import (
    Complaint,
    Manifest,
    algorithms_of,
    decode_path,
    hash_name,
    is_tag_name,
    read_declaration,
    read_fetch,
    read_info,
    read_manifest,
    receipt_of,
    tag_lines,
    unsafe_path,
)

GOOD = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
TWO_LINES = (
    "bagit.txt is not exactly the lines `BagIt-Version: M.N` and `Tag-File-Character-Encoding: NAME` "
    "(RFC 8493 section 2.1.1)"
)
NO_END = "bagit.txt has no line ending after its last line (RFC 8493 section 2.3)"
MARK = "bagit.txt begins with a byte-order mark (RFC 8493 section 2.1.1)"
KNOWN = "known are 0.93, 0.94, 0.95, 0.96, 0.97, 1.0"
A, B = "aa" * 16, "bb" * 16


def error(means: str, path: str = "", kind: str = "malformed") -> Complaint:
    return Complaint(path, kind, means, warning=False)


def warning(means: str, path: str = "") -> Complaint:
    return Complaint(path, "malformed", means, warning=True)


# --- bagit.txt --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n"])
def test_a_declaration_of_two_lines_is_read_with_any_line_ending(end: bytes) -> None:
    assert read_declaration(GOOD.replace(b"\n", end)) == ("1.0", "utf-8", [])


@pytest.mark.parametrize(
    ("raw", "version", "encoding", "complaints"),
    [
        (
            None,
            "",
            "utf-8",
            [error("there is no bagit.txt (RFC 8493 section 2.1.1)", kind="incomplete")],
        ),
        (codecs.BOM_UTF8 + GOOD, "1.0", "utf-8", [error(MARK)]),
        (GOOD[:-1], "1.0", "utf-8", [warning(NO_END)]),
        (b"", "", "utf-8", [error(TWO_LINES)]),
        (GOOD + b"\n", "1.0", "utf-8", [error(TWO_LINES)]),
        (
            b" bagit-version : 0.97\ntag-file-character-encoding : latin-1",
            "0.97",
            "iso8859-1",
            [
                error(TWO_LINES),
                warning("tag files should be UTF-8, not latin-1 (RFC 8493 section 2.1.1)"),
            ],
        ),
        (b"BagIt-Version: 0.96\n", "0.96", "utf-8", [error(TWO_LINES)]),
        (
            GOOD.replace(b"1.0", b"2.0"),
            "2.0",
            "utf-8",
            [error(f"BagIt version 2.0 was never published; {KNOWN}")],
        ),
    ],
)
def test_whatever_else_a_declaration_holds_is_told_and_read_as_far_as_it_goes(
    raw: bytes | None, version: str, encoding: str, complaints: list[Complaint]
) -> None:
    assert read_declaration(raw) == (version, encoding, complaints)


@pytest.mark.parametrize("name", ["UTF=8", "rot-13", "hex", "no-such", "utf-8-sig", "mbcs", "UTF--8"])
def test_an_encoding_that_is_none_of_text_leaves_the_tag_files_unread(name: str) -> None:
    _, encoding, complaints = read_declaration(GOOD.replace(b"UTF-8", name.encode()))
    assert encoding == "utf-8"
    assert complaints == [error(f"the encoding {name} is not known here, so the tag files cannot be read")]


# --- lines ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("end", ["\n", "\r", "\r\n"])
def test_lines_end_in_lf_cr_or_crlf_and_in_nothing_else(end: str) -> None:
    text = f"a\u2028b\x0bc{end}{end}d{end}"
    assert tag_lines(text.encode(), "utf-8", strict=True) == (["a\u2028b\x0bc", "", "d"], [])


def test_a_last_line_without_an_ending_is_taken_with_a_warning() -> None:
    told = [warning("its last line has no line ending (RFC 8493 section 2.3)")]
    assert tag_lines(b"a\nb", "utf-8", strict=True) == (["a", "b"], told)
    assert tag_lines(b"", "utf-8", strict=True) == ([], [])


def test_bytes_that_are_not_of_the_encoding_give_no_line_and_their_offset() -> None:
    told = [error("it is not utf-8: the byte at offset 2 cannot be (RFC 8493 section 2.1.1)")]
    assert tag_lines(b"a\n\xff\n", "utf-8", strict=True) == ([], told)
    both = tag_lines(codecs.BOM_UTF8 + b"\xff", "utf-8", strict=True)[1]
    assert [each.means.split()[1] for each in both] == ["begins", "is"]


@pytest.mark.parametrize("mark", [b"", codecs.BOM_UTF16_LE])
def test_utf_16_is_read_in_the_order_that_its_mark_or_its_first_letter_tells(mark: bytes) -> None:
    assert tag_lines(mark + "ab\n".encode("utf-16-le"), "utf-16", strict=True) == (["ab"], [])
    big = codecs.BOM_UTF16_BE if mark else b""
    assert tag_lines(big + "ab\n".encode("utf-16-be"), "utf-16", strict=True) == (["ab"], [])


# --- manifests --------------------------------------------------------------------------------------------


def md5(*lines: str, version: str = "1.0", name: str = "manifest-md5.txt") -> Manifest:
    return read_manifest(name, "".join(f"{line}\n" for line in lines).encode(), "utf-8", version)


def custom(what: str, path: str) -> Complaint:
    means = (
        f"its line has {what}, a custom of checksum programs; strict validation fails (RFC 8493 section 6)"
    )
    return warning(means, path)


def test_a_manifest_as_programs_write_it_is_taken_as_it_stands() -> None:
    found = md5(f"{A}  data/a b", f"{B.upper()}  data/c")
    entries = {"data/a b": bytes.fromhex(A), "data/c": bytes.fromhex(B)}
    assert found == Manifest(
        "manifest-md5.txt", of_tags=False, algorithm="md5", entries=entries, complaints=[]
    )
    assert md5(name="tagmanifest-md5.txt").of_tags


@pytest.mark.parametrize(
    ("line", "path", "complaints"),
    [
        (f"{A} \t data/x", "data/x", []),
        (f"{A} *data/x", "data/x", [custom("a leading asterisk", "data/x")]),
        (f"{A}  *data/x", "data/x", [custom("a leading asterisk", "data/x")]),
        (f"\\{A}  data/x\\ny\\\\z", "data/x\ny\\z", [custom("a leading backslash", "data/x\ny\\z")]),
        (f"{A}  ./data/x", "data/x", [custom("needless dots or slashes in the path", "data/x")]),
        (f"{A}  data//x", "data/x", [custom("needless dots or slashes in the path", "data/x")]),
        (f"{A}  data/./x", "data/x", [custom("needless dots or slashes in the path", "data/x")]),
        (
            f"{A}  ./data/../x",
            "./data/../x",
            [custom("needless dots or slashes in the path", "./data/../x")],
        ),
        (f"{A}  data/%0ax%0D%25", "data/\nx\r%", []),
        (
            f"{A}  data/5%",
            "data/5%",
            [error("a percent sign in its name is not written %25 (RFC 8493 section 2.1.3)", "data/5%")],
        ),
        (f"{A}  ..data/x", "..data/x", []),
    ],
)
def test_an_unusual_line_is_read_with_its_custom_named(
    line: str, path: str, complaints: list[Complaint]
) -> None:
    found = md5(line)
    assert found.entries == {path: bytes.fromhex(A)}
    assert found.complaints == complaints


@pytest.mark.parametrize(
    "line",
    ["", A, f"{A}  ", f"{A[:-2]}  data/x", f"{A}aa  data/x", f"{A[:-1]}  data/x", f"{A}data/x", "x  data/x"],
)
def test_a_line_that_is_no_entry_is_told_by_its_number_and_the_others_are_read(line: str) -> None:
    found = md5(f"{B}  data/y", line, f"{B}  data/z")
    assert [*found.entries] == ["data/y", "data/z"]
    told = "line 2 is not a digest, a space and a path (RFC 8493 section 2.1.3)"
    assert found.complaints == [error(told)]


@pytest.mark.parametrize(
    ("second", "version", "complaint"),
    [
        (A, "1.0", error("manifest-md5.txt lists it more than once (RFC 8493 section 2.1.3)", "data/x")),
        (A, "0.97", warning("manifest-md5.txt lists it more than once (RFC 8493 section 2.1.3)", "data/x")),
        (
            B,
            "0.97",
            error(
                "manifest-md5.txt lists it more than once, with different digests (RFC 8493 section 2.1.3)",
                "data/x",
            ),
        ),
    ],
)
def test_a_path_that_is_listed_twice_keeps_its_first_digest_and_is_told(
    second: str, version: str, complaint: Complaint
) -> None:
    found = md5(f"{A}  data/x", f"{second}  data/x", version=version)
    assert found.entries == {"data/x": bytes.fromhex(A)}
    assert found.complaints == [complaint]


def test_a_manifest_whose_digests_nobody_knows_still_lists_its_files() -> None:
    found = md5("00  data/x", "0  data/y", name="manifest-crc9.txt")
    assert (found.algorithm, found.entries) == ("", {"data/x": b"\0"})
    assert found.complaints == [
        error("its digests cannot be computed here, so it vouches for nothing (RFC 8493 section 2.4)"),
        error("line 2 is not a digest, a space and a path (RFC 8493 section 2.1.3)"),
    ]


@pytest.mark.parametrize("name", ["manifest-MD5.txt", "manifest-md-5.txt", "tagmanifest-Md5.txt"])
def test_a_manifest_whose_name_is_not_normal_is_read_with_a_warning(name: str) -> None:
    found = md5(f"{A}  data/x", name=name)
    assert found.algorithm == "md5"
    assert found.complaints == [
        warning("its name is not the algorithm's in lower-case letters and digits (RFC 8493 section 2.4)")
    ]


def test_before_1_0_only_line_ends_were_encoded_in_a_path() -> None:
    complaints: list[Complaint] = []
    assert decode_path("a%0Ab%25c%", complaints, strict=False) == "a\nb%25c%"
    assert complaints == []
    assert decode_path("a%0Ab%25c", complaints, strict=True) == "a\nb%c"
    assert complaints == []


# --- names ------------------------------------------------------------------------------------------------


def test_every_algorithm_of_a_bags_manifests_is_computed_once_payload_and_tags_apart() -> None:
    names = [
        "manifest-sha512.txt",
        "manifest-md5.txt",
        "manifest-x.txt",
        "tagmanifest-SHA-256.txt",
        "bagit.txt",
    ]
    assert algorithms_of(names) == (("md5", "sha512"), ("sha256",))
    assert algorithms_of([]) == ((), ())


def test_names_that_bagit_gives_a_meaning_to_are_known() -> None:
    meant = [
        "bagit.txt",
        "bag-info.txt",
        "package-info.txt",
        "fetch.txt",
        "manifest-x.txt",
        "tagmanifest-md5.txt",
    ]
    assert all(map(is_tag_name, meant))
    assert not any(
        map(is_tag_name, ["readme.txt", "manifest.txt", "xmanifest-md5.txt", "manifest-md5.txt.bak"])
    )
    assert hash_name("manifest-blake2b-512.txt") == "blake2b"
    assert hash_name("readme.txt") == ""


@pytest.mark.parametrize(
    ("path", "why"),
    [
        ("/x", "it is absolute"),
        ("\\x", "it begins with a backslash, which leads out of the bag on Windows"),
        ("c:x", "it names a drive"),
        ("~x", "it names somebody's home folder"),
        ("a/../x", "it climbs out of the bag"),
        ("a\\..\\x", "it climbs out of the bag"),
        ("a\0", "it holds a zero byte"),
        ("a/b:c", ""),
        ("a/~x", ""),
        ("a..b/c", ""),
        ("a\\b", ""),
    ],
)
def test_a_path_that_leads_elsewhere_is_unsafe_for_a_reason(path: str, why: str) -> None:
    assert unsafe_path(path) == why


# --- bag-info.txt -----------------------------------------------------------------------------------------


def info(text: str, version: str = "1.0") -> tuple[list[tuple[str, str]], list[Complaint]]:
    return read_info(text.encode(), "utf-8", version)


def test_folded_lines_are_joined_by_one_blank_and_order_is_kept() -> None:
    text = "B: one\n  two \n\tthree\nA: x\nB: \n  y\n"
    assert info(text) == ([("B", "one two three"), ("A", "x"), ("B", "y")], [])


def test_a_value_may_hold_colons() -> None:
    assert info("A: b: c\n") == ([("A", "b: c")], [])


@pytest.mark.parametrize("line", ["no colon", ": x", "A : x"])
def test_a_line_that_is_no_label_with_a_value_is_left_out_and_told(line: str) -> None:
    told = [error("line 2 is not `Label: value` (RFC 8493 section 2.2.2)")]
    assert info(f"B: 1\n{line}\nC: 2\n") == ([("B", "1"), ("C", "2")], told)


def test_a_first_line_that_begins_with_a_blank_folds_nothing() -> None:
    told = [error("line 1 is not `Label: value` (RFC 8493 section 2.2.2)")]
    assert info(" A: x\n") == ([], told)
    assert info(" A: x\n", "0.97") == ([("A", "x")], [])


@pytest.mark.parametrize("line", ["A:x", "A:  x", "A: \tx"])
def test_other_than_one_blank_after_the_colon_is_an_error_since_1_0(line: str) -> None:
    told = [error("line 1 does not have exactly one space after the colon (RFC 8493 section 2.2.2)")]
    assert info(f"{line}\n") == ([("A", "x")], told)
    assert info(f"{line}\n", "0.97") == ([("A", "x")], [])
    assert info("A:\tx\n") == ([("A", "x")], [])


def test_an_empty_line_is_a_warning() -> None:
    told = [warning("line 2 is empty (RFC 8493 section 2.2.2)")]
    assert info("A: x\n \nB: y\n") == ([("A", "x"), ("B", "y")], told)


# --- fetch.txt --------------------------------------------------------------------------------------------


def fetch(line: str, version: str = "1.0") -> tuple[list[str], list[Complaint]]:
    return read_fetch(f"{line}\n".encode(), "utf-8", version)


@pytest.mark.parametrize("address", ["http://a/b", "HTTPS://a/b", "ftp://a", "ftps://a", "sftp://a/b"])
@pytest.mark.parametrize("length", ["-", "0", "123"])
def test_a_file_to_fetch_has_an_address_a_length_and_a_path(address: str, length: str) -> None:
    assert fetch(f"{address} \t{length}  data/a b") == (["data/a b"], [])


@pytest.mark.parametrize(
    "line",
    [
        "http://a data/x",
        "http://a x data/x",
        "http://a 1",
        "http://a -1 data/x",
        "http://a\x1cb 1 data/x",
        "http://a\u2003b 1 data/x",
        "http://a \u0661 data/x",
    ],
)
def test_a_line_that_is_no_file_to_fetch_is_left_out_and_told(line: str) -> None:
    assert fetch(line) == ([], [error("line 1 is not URL, length and path (RFC 8493 section 2.2.3)")])


@pytest.mark.parametrize("address", ["file:///etc/x", "http:///x", "data/x", "xhttp://a"])
def test_an_address_that_is_no_place_on_a_network_is_unsafe(address: str) -> None:
    means = (
        f"fetch.txt would fetch it from {address!r}, which is not an address on a network "
        "(RFC 8493 section 5)"
    )
    assert fetch(f"{address} - data/x") == (["data/x"], [error(means, "data/x", "unsafe")])


@pytest.mark.parametrize("address", ["http://a/<b>", "https://a/ä", 'http://a/"', "http://a/{x}"])
def test_an_address_with_characters_that_none_has_is_a_warning(address: str) -> None:
    means = "line 1 has characters in its URL that no URL may have (RFC 8493 section 2.2.3)"
    paths, complaints = fetch(f"{address} - data/x")
    assert paths == ["data/x"]
    assert [(each.means, each.warning) for each in complaints] == [(means, True)]


def test_a_path_to_fetch_is_decoded_by_the_rules_of_its_version() -> None:
    assert fetch("http://a - data/%0A%25") == (["data/\n%"], [])
    assert fetch("http://a - data/%0A%25", "0.97") == (["data/\n%25"], [])


# --- receipt ----------------------------------------------------------------------------------------------


def test_a_receipt_is_what_sha256sum_prints_of_what_it_printed_of_the_tag_manifests() -> None:
    tags = {"tagmanifest-sha512.txt": b"b", "tagmanifest-md5.txt": b"a", "bagit.txt": GOOD}
    printed = "".join(
        f"{hashlib.sha256(raw).hexdigest()}  {name}\n"
        for name, raw in [("tagmanifest-md5.txt", b"a"), ("tagmanifest-sha512.txt", b"b")]
    )
    assert receipt_of(tags) == hashlib.sha256(printed.encode()).hexdigest()


def test_without_a_tag_manifest_a_receipt_is_over_what_there_is_and_over_nothing_there_is_none() -> None:
    odd = "manifest-\udcff.txt"
    printed = f"{hashlib.sha256(GOOD).hexdigest()}  {odd}\n".encode("utf-8", "surrogatepass")
    assert receipt_of({odd: GOOD}) == hashlib.sha256(printed).hexdigest()
    assert receipt_of({}) == ""
