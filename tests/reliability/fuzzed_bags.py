"""Whole commands on altered bags: digests fit to altered files, photographs, packed copies."""

from __future__ import annotations

import io
import json
import shutil
import tarfile
import warnings
import zipfile
from pathlib import Path

from tests.outside import bag_cases
from tests.reliability import altering
from tests.reliability.altering import Dice
from tests.reliability.fuzzed_shop import (
    HIDDEN,
    Shop,
    Wrong,
    as_the_record_says,
    copied,
    dots,
    loaded,
    packed_files,
    valid_bag,
)

# --- a bag's files, their digests made to fit -------------------------------------------------------------


def record(shop: Shop, dice: Dice) -> None:
    """The record's tree or its bytes."""
    tree = json.loads(shop.record)
    if dice.random() < 0.8:
        raw = json.dumps(altering.tree(dice, tree), ensure_ascii=dice.random() < 0.5).encode(
            "utf-8", "surrogatepass"
        )
    else:
        raw = altering.raw(dice, shop.record)
    with shop.put({"metadata/record.json": raw}, shop.bag, sealed=True):
        dice.choice((_releases, _reopens, _burns, _compares, _remembers))(shop, raw)


def _releases(shop: Shop, raw: bytes) -> None:
    ran = shop.run("release", shop.bag, "--into", shop.root / "out", "--json")
    if ran.code == 0:
        valid_bag(Path(ran.document["bundle"]), "release")


def _reopens(shop: Shop, raw: bytes) -> None:
    if shop.run("reopen", shop.bag, "--into", shop.root / "out").code == 0:
        as_the_record_says(loaded(raw) or json.loads(shop.record), shop.root / "out")


def _burns(shop: Shop, raw: bytes) -> None:
    target = shop.root / "out.bin"
    if shop.run("burn", shop.bag, "--chip", "U1", "--into", "2716", "--output", target).code == 0:
        # Of a record that is damaged at another chip, whose line is not read for this one, nothing else may
        # be burnt.
        tree = loaded(raw) or json.loads(shop.record)
        chips = [one for one in tree["chips"] if isinstance(one, dict) and one.get("chip") == "U1"]
        if bag_cases.digest("sha256", target.read_bytes()) not in [one["image"]["sha256"] for one in chips]:
            raise Wrong("wrong acceptance", "burnt what the record does not say of U1")


def _compares(shop: Shop, raw: bytes) -> None:
    shop.run("changes", shop.bag, shop.bag)
    shop.run("recheck", shop.bag, "--replay")


def _remembers(shop: Shop, raw: bytes) -> None:
    ran = shop.run("recheck", shop.bag, "--ledger", copied(shop, shop.ledger))
    if ran.code == 0 and raw != shop.record:
        raise Wrong(
            "wrong acceptance", "a record changed and re-hashed passed a ledger that knows its receipt"
        )


def premis(shop: Shop, dice: Dice) -> None:
    """The PREMIS file's lines or bytes."""
    path = "metadata/premis.xml"
    before = (shop.bag / path).read_bytes()
    raw = altering.lines(dice, before) if dice.random() < 0.7 else altering.raw(dice, before)
    with shop.put({path: raw}, shop.bag, sealed=True):
        if dice.random() < 0.3:
            dice.choice((_releases, _reopens, _compares))(shop, shop.record)
        ran = shop.run("recheck", shop.bag, "--ledger", copied(shop, shop.ledger))
        if ran.code == 0 and raw != before:
            raise Wrong(
                "wrong acceptance",
                "a PREMIS file changed and re-hashed passed a ledger that knows the receipt",
            )


def tag_files(shop: Shop, dice: Dice) -> None:
    """Manifests, declaration, bag-info, now and then the payload; the tag manifests fit most of the time."""
    name = dice.choice(
        ("manifest-sha256.txt", "manifest-sha512.txt", "bagit.txt", "bag-info.txt", "data/1.bin", "fetch.txt")
    )
    path = shop.copy / name
    before = path.read_bytes() if path.exists() else b"http://a.example/x 3 data/1.bin\n"
    raw = altering.lines(dice, before) if dice.random() < 0.6 else altering.raw(dice, before)
    with shop.put({name: raw}, shop.copy, sealed=dice.random() < 0.7):
        if shop.run("recheck", shop.copy).code == 0:
            valid_bag(shop.copy, "recheck")
        ran = shop.run("recheck", shop.copy, "--ledger", copied(shop, shop.ledger))
        payload = {path: content for path, content in shop.whole.items() if path.startswith("data/")}
        if ran.code == 0 and payload != {path: (shop.copy / path).read_bytes() for path in payload}:
            raise Wrong("wrong acceptance", "another payload passed a ledger that knows the receipt")


# --- archives ---------------------------------------------------------------------------------------------


def archive_zip(shop: Shop, dice: Dice) -> None:
    """A packed copy: its members (check sums fit), or its bytes."""
    raw = (
        altering.raw(dice, shop.packed["zip"])
        if dice.random() < 0.5
        else _zip_again(dice, shop.packed["zip"])
    )
    _archive(shop, "zip", raw)


def _zip_again(dice: Dice, raw: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(raw)) as packed, zipfile.ZipFile(out, "w") as again:
        for name, content in _members(dice, [(one, packed.read(one)) for one in packed.namelist()]):
            info = zipfile.ZipInfo(name or "x")
            info.compress_type = dice.choice((0, 8, 8, 8, 12))
            info.external_attr = dice.choice(
                (0, 0o100644 << 16, 0o100644 << 16, 0o120777 << 16, 0o040755 << 16)
            )
            info.extra = dice.choice((b"", b"", dice.randbytes(8)))
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # that a name is doubled is what is meant
                again.writestr(info, content)
    return altering.raw(dice, out.getvalue()) if dice.random() < 0.1 else out.getvalue()


def archive_tar(shop: Shop, dice: Dice) -> None:
    """The same as a tar, now and then packed once more."""
    raw = (
        altering.raw(dice, shop.packed["tar"])
        if dice.random() < 0.4
        else _tar_again(dice, shop.packed["tar"])
    )
    _archive(shop, "tar", raw)


def _tar_again(dice: Dice, raw: bytes) -> bytes:
    members = packed_files("tar", raw)
    assert members
    out = io.BytesIO()
    form = dice.choice((tarfile.USTAR_FORMAT, tarfile.GNU_FORMAT, tarfile.PAX_FORMAT))
    with tarfile.open(fileobj=out, mode="w", format=form) as again:
        for name, content in _members(dice, members):
            info = tarfile.TarInfo(name[:90].replace("\0", "?").encode("ascii", "replace").decode() or "x")
            info.type = dice.choice(
                (tarfile.REGTYPE,) * 30 + (tarfile.SYMTYPE, tarfile.LNKTYPE, tarfile.FIFOTYPE, b"S", b"z")
            )
            info.size, info.linkname = len(content), "copy/data/0.bin"
            again.addfile(info, io.BytesIO(content))
    return out.getvalue()


def _members(dice: Dice, members: list[tuple[str, bytes]]) -> list[tuple[str, bytes]]:
    after = list(members)
    for _ in range(dice.choice((0, 1, 1, 2))):
        at = dice.randrange(len(after))
        name, content = after[at]
        way = dice.randrange(6)
        if way == 0 and len(after) > 1:
            del after[at]
        elif way == 1:
            after.insert(dice.randrange(len(after)), (name, content))
        elif way == 2:
            after.insert(dice.randrange(len(after)), (name, altering.raw(dice, content)))
        elif way == 3:
            after[at] = (name, altering.raw(dice, content))
        else:
            prefix, _, inside = name.partition("/")
            after[at] = (f"{prefix}/{altering.text(dice, inside)}".replace("\0", ""), content)
    return after


def _archive(shop: Shop, kind: str, raw: bytes) -> None:
    path = shop.root / f"out.{kind}"
    path.write_bytes(raw)
    found = packed_files(kind, raw)
    if shop.run("recheck", path).code == 0:
        _same_payload(shop, found)
    shutil.copytree(shop.copy, shop.damaged)
    (shop.damaged / "data/0.bin").write_bytes(b"damaged")
    ran = shop.run("mend", shop.damaged, "--from", path)
    if ran.code == 0:
        valid_bag(shop.damaged, "mend")
        if any((shop.damaged / name).read_bytes() != content for name, content in shop.whole.items()):
            raise Wrong("wrong acceptance", "mended into another bag")


def _same_payload(shop: Shop, found: list[tuple[str, bytes]] | None) -> None:
    """Whatever an archive is called valid with: every file of that name in it is what its manifest says."""
    if found is None:
        raise Wrong("wrong acceptance", "an archive that cannot be read is called valid")
    for name, content in found:
        inside = name.partition("/")[2]
        if inside.startswith("data/") and shop.whole.get(inside, content) != content:
            raise Wrong("wrong acceptance", f"{name} in the archive is another one")


# --- photographs ------------------------------------------------------------------------------------------


def photograph(shop: Shop, dice: Dice) -> None:
    """A photograph in a bag whose digests fit; what goes out shows the same and holds nothing hidden."""
    name = dice.choice(("board.png", "board.jpg"))
    before = shop.given[f"photos/{name}"]
    alter = altering.png if name.endswith("png") else altering.jpeg
    raw = alter(dice, before, HIDDEN) if dice.random() < 0.85 else altering.raw(dice, before)
    with shop.put(_with_photograph(shop, f"data/photos/{name}", raw), shop.bag, sealed=True):
        ran = shop.run("release", shop.bag, "--into", shop.root / "out", "--json")
        if ran.code != 0:
            raise Wrong("not reached", ran.err[:300])
        bundle = Path(ran.document["bundle"])
        valid_bag(bundle, "release")
        out = bundle / f"data/photos/{name}"
        if not out.exists():
            return
        if HIDDEN in out.read_bytes():
            raise Wrong("wrong acceptance", "what was hidden in a photograph went out")
        if dots(raw) is not None and dots(out.read_bytes()) != dots(raw):
            raise Wrong("wrong acceptance", "the photograph that went out shows something else")


def _with_photograph(shop: Shop, path: str, raw: bytes) -> dict[str, bytes | None]:
    """The bag's files with another photograph: record, manifests and Payload-Oxum tell of it."""
    before = (shop.bag / path).read_bytes()
    changes: dict[str, bytes | None] = {path: raw}
    tree = loaded(shop.record)
    for one in tree["attachments"]:
        if one["path"] == path:
            one.update(size_bytes=len(raw), **{name: bag_cases.digest(name, raw) for name in bag_cases.TWO})
    changes["metadata/record.json"] = json.dumps(tree).encode()
    for name in bag_cases.TWO:
        manifest = (shop.bag / f"manifest-{name}.txt").read_bytes()
        old, new = (bag_cases.digest(name, each).encode() for each in (before, raw))
        changes[f"manifest-{name}.txt"] = b"\n".join(
            line.replace(old, new) if line.endswith(path.encode()) else line for line in manifest.split(b"\n")
        )
    info = (shop.bag / "bag-info.txt").read_text("utf-8")
    oxum = info.partition("Payload-Oxum: ")[2].partition("\n")[0]
    size, _, count = oxum.partition(".")
    changes["bag-info.txt"] = info.replace(oxum, f"{int(size) + len(raw) - len(before)}.{count}").encode()
    return changes
