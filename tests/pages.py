"""The tables of the READMEs that the program itself fills, so that no page says what the program does not.

A page holds `<!-- made: NAME -->`, the table, and `<!-- end -->`. `python -m tests.goldens` writes them anew;
`tests/contract/test_pages.py` holds them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from pipeline.formats import FORMATS
from pipeline.views.strip import BLOCKS, PLAIN
from schemas.glossary import GLOSSARY
from schemas.sheet import Sheet

ROOT = Path(__file__).parents[1]
PAGES = ("README.md", "schemas/README.md", "pipeline/formats/README.md")
_MADE = re.compile(r"(<!-- made: ([a-z-]+) -->\n).*?(<!-- end -->)", re.DOTALL)
_STRIP = {
    "dense": "dense content of no known kind",
    "code": "instructions of a known processor",
    "text": "readable text",
    "table": "values that follow a pattern",
    "repeat": "a stretch that repeats",
    "absent": "words that no reading has",
    "decode": "few bits set in each word, as decoders and microcode have them",
    "fill": "one value throughout: unused, decayed or not driven",
    "contested": "unresolved here: readers, or passes of one reader, disagree",
    "differs": "two images differ here",
}


def made(page: str) -> str:
    """A page with each of its tables as the program has it."""
    return _MADE.sub(
        lambda found: f"{found[1]}\n{TABLES[found[2]]()}\n{found[3]}", (ROOT / page).read_text("utf-8")
    )


def table(head: tuple[str, ...], rows: Iterable[Iterable[str]]) -> str:
    """A table in Markdown."""
    lines = [head, ("---",) * len(head), *rows]
    return "".join(f"| {' | '.join(cell.replace('|', '∣') for cell in line)} |\n" for line in lines)


def strip_legend() -> str:
    """The characters of the strip; every one that it can show, and no other."""
    assert set(_STRIP) == set(BLOCKS) == set(PLAIN)
    rows = ((f"`{BLOCKS[kind]}`", f"`{PLAIN[kind]}`", words) for kind, words in _STRIP.items())
    return table(("strip", "where a terminal has no blocks", "means"), rows)


def grades() -> str:
    """The grades with what they mean and what to do, the first that applies first."""
    order = ("missing", "faulty", "contested", "self-checked", "corroborated", "repeatable", "single")
    assert set(order) == {one.name for one in GLOSSARY.values() if one.kind == "grade"}
    rows = ((f"`{name}`", GLOSSARY[name].what, GLOSSARY[name].do) for name in order)
    return table(("grade", "means", "what to do"), rows)


def findings() -> str:
    """Every finding: what it is, how it is told, what else looks so, what to do."""
    entries = (one for one in GLOSSARY.values() if one.kind == "finding")
    rows = ((f"`{one.name}`", one.what, one.told, one.also, one.do) for one in entries)
    return table(("finding", "what it is", "how it is told", "what else looks so", "what to do"), rows)


def formats() -> str:
    """Every format with what its decoder checks."""
    return table(("format", "what is checked"), ((f"`{name}`", checks) for name, checks in FORMATS.items()))


def fields() -> str:
    """Every field of the sheet, one table for each kind of thing it holds."""
    schema = Sheet.model_json_schema()
    return "\n".join(_fields_of(places, schema, model) for places, model in _kinds(schema))


def _kinds(schema: Mapping[str, Any]) -> list[tuple[list[str], Mapping[str, Any]]]:
    """Every kind of thing in the sheet, the outer before the inner, with all places where it may stand."""
    found: dict[str, tuple[list[str], Mapping[str, Any]]] = {"": ([""], schema)}
    waiting = [""]
    while waiting:
        places, model = found[waiting.pop(0)]
        for name, field in model["properties"].items():
            place = f"{places[0]}.{name}".lstrip(".")
            for inner in sorted(_referred(field) - {"Part"}):  # parts are told in the catalogue's own words
                if inner not in found:
                    found[inner] = ([], schema["$defs"][inner])
                    waiting.append(inner)
                found[inner][0].append(place)
    return list(found.values())


def _referred(value: object) -> set[str]:
    if isinstance(value, Mapping):
        own = {str(value["$ref"]).rpartition("/")[2]} if "$ref" in value else set()
        return own.union(*map(_referred, value.values()))
    return set().union(*map(_referred, value)) if isinstance(value, list) else set()


def _fields_of(places: list[str], schema: Mapping[str, Any], model: Mapping[str, Any]) -> str:
    needed = set(model.get("required", ()))
    rows = (
        (
            f"`{name}`" + (" (needed)" if name in needed else ""),
            _values(field, schema),
            field.get("description", "") + (" *private*" if field.get("private") else ""),
        )
        for name, field in model["properties"].items()
    )
    title = ", ".join(f"`{place}`" for place in places if place) or "The whole sheet"
    return f"**{title}**\n\n{table(('field', 'takes', 'says'), rows)}"


def _values(field: Mapping[str, Any], schema: Mapping[str, Any]) -> str:
    """What may stand in a field, in words."""
    options = [one for one in field.get("anyOf", [field]) if one.get("type") != "null"]
    return " or ".join(dict.fromkeys(_one_value(one, schema) for one in options))


def _one_value(one: Mapping[str, Any], schema: Mapping[str, Any]) -> str:
    if "$ref" in one:
        inner = schema["$defs"][one["$ref"].rpartition("/")[2]]
        return " or ".join(f"`{each}`" for each in inner["enum"]) if "enum" in inner else "fields, below"
    if "enum" in one or "const" in one:
        return " or ".join(f"`{each}`" for each in one.get("enum", [one.get("const")]))
    kinds = one.get("type", "text")
    if kinds == "array":
        return f"list of {_values(one.get('items', {}), schema)}"
    if kinds == "object":
        return "by name: " + _values(one.get("additionalProperties", {}), schema)
    if one.get("examples"):
        return f"such as `{one['examples'][0]}`"
    words = {"string": "text", "boolean": "`true`", "number": "number", "integer": "number"}
    return "number" if isinstance(kinds, list) else words[kinds]


TABLES: Mapping[str, Callable[[], str]] = {
    "strip": strip_legend,
    "grades": grades,
    "findings": findings,
    "formats": formats,
    "fields": fields,
}
