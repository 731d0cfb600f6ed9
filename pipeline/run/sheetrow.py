"""One row added to the sheet's readings by a program: every comment, the order and every value stay as they were."""

from __future__ import annotations

import io
import os
import re
import secrets
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline.edges.diskerrors import storage_trouble
from pipeline.edges.staging import sync_file


def add_row(sheet: Path, row: Mapping[str, str]) -> bool:
    """Add a row to `readings`; False where that cannot be done without changing anything else.

    The new text is parsed and compared with the old before it takes the old one's place in one step. A sheet whose
    readings are in a table of their own is left alone.

    Raises:
        StorageError: The disk refuses; the sheet is as it was.
    """
    before = sheet.read_text(encoding="utf-8")
    after = _with_row(before, row)
    if after is None:
        return False
    beside = sheet.parent / f".{sheet.name}.part-{secrets.token_hex(4)}"
    with storage_trouble(sheet):
        try:
            beside.write_text(after, encoding="utf-8", newline="")
            beside.chmod(sheet.stat().st_mode & 0o777)
            sync_file(beside)
            os.replace(beside, sheet)  # noqa: PTH105 - one step, as the other edges do it
        finally:
            beside.unlink(missing_ok=True)
    return True


def _with_row(before: str, row: Mapping[str, str]) -> str | None:
    from ruamel.yaml import YAML
    from ruamel.yaml.comments import CommentedMap, CommentedSeq
    from ruamel.yaml.error import YAMLError

    yaml = YAML(typ="rt")
    yaml.preserve_quotes = True
    yaml.width = 1_000_000
    dashes = re.search(r"(?m)^( *)- ", before)
    offset = len(dashes[1]) if dashes else 2
    yaml.indent(mapping=2, sequence=offset + 2, offset=offset)
    try:
        tree = yaml.load(before)
    except YAMLError:
        return None
    readings = tree.get("readings") if isinstance(tree, CommentedMap) else None
    if readings is None:
        # the text itself is added to: nothing of the old is written anew
        text = "".join(f", {key}: {_scalar(value)}" for key, value in row.items()).removeprefix(", ")
        after = before if before.endswith("\n") else before + "\n"
        after += f"\nreadings:\n{' ' * offset}- {{{text}}}\n"
    elif isinstance(readings, CommentedSeq):
        new = CommentedMap(row)
        new.fa.set_flow_style()
        last = len(readings) - 1
        readings.append(new)
        _carry_comment(readings, last)
        out = io.StringIO()
        yaml.dump(tree, out)
        after = out.getvalue()
    else:
        return None
    return after if _only_added(before, after, row) else None


def _carry_comment(readings: Any, last: int) -> None:
    """The blank lines and comments behind the last row belong before the next section: behind the new row."""
    if last < 0:
        return
    old, new = readings[last], readings[last + 1]
    if readings.ca.items.get(last):
        readings.ca.items[last + 1] = readings.ca.items.pop(last)
        return
    if hasattr(old, "ca") and old.ca.items:
        key = list(old)[-1]
        if key in old.ca.items and not old.fa.flow_style():
            new.ca.items[list(new)[-1]] = old.ca.items.pop(key)


def _scalar(value: str) -> str:
    import json

    return (
        value
        if re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.+-]*", value)
        else json.dumps(value, ensure_ascii=False)
    )


def _only_added(before: str, after: str, row: Mapping[str, str]) -> bool:
    """Whether the new text says what the old said, with its comments in their order, and the row."""
    import yaml

    old, new = (yaml.load(text, Loader=yaml.BaseLoader) for text in (before, after))  # noqa: S506 - texts only
    wanted = dict(old)
    wanted["readings"] = [*(old.get("readings") or []), dict(row)]
    comments = [re.findall(r"(?m)(?:^|\s)(#.*)$", text) for text in (before, after)]
    return bool(new == wanted) and comments[0] == comments[1]
