"""`wellread schema`: JSON Schemas of what people write, what stays on disk and what commands print."""

from __future__ import annotations

import json
import pkgutil
from typing import TYPE_CHECKING, TypeAlias

from pydantic import JsonValue

from pipeline.errors import UsageError
from pipeline.result import Result
from pipeline.views.terminal import schema_list
from schemas.meant import one_meant

if TYPE_CHECKING:
    from schemas.answers import SchemaAnswer

_MODELS = {
    "sheet": ("schemas.sheet", "sheet_json_schema"),
    "record": ("schemas.record", "Record"),
    "finding": ("schemas.recorded_finding", "FindingRecord"),
    "part": ("schemas.part", "Part"),
}
_PROFILES = ("bagit-profile", "bundle-profile")
DIALECT = "https://json-schema.org/draft/2020-12/schema"

JsonSchema: TypeAlias = dict[str, JsonValue]
"""A JSON Schema, as the dialect has it."""


def schema_names() -> list[str]:
    """Every name that `schema_document` knows, sorted."""
    from schemas.answers import ANSWERS

    return sorted([*_MODELS, *_PROFILES, *ANSWERS])


def list_schemas() -> Result[SchemaAnswer]:
    """What `schema` says without a name."""
    names = schema_names()
    document: SchemaAnswer = {"schema": "wellread/schema/1", "command": "schema", "names": names}
    return Result(document, schema_list(names))


def schema_document(name: str) -> JsonSchema:
    """The JSON Schema of this name.

    Raises:
        UsageError: There is none of this name.
    """
    from schemas.answers import ANSWERS
    from schemas.base import adapter

    if name in _PROFILES:
        content = pkgutil.get_data("schemas", f"json/{name}.json")
        assert content is not None
        profile: JsonSchema = json.loads(content)
        return profile
    if name in _MODELS:
        import importlib

        module, member = _MODELS[name]
        found = getattr(importlib.import_module(module), member)
        schema = found() if name == "sheet" else adapter(found).json_schema()
    elif name in ANSWERS:
        schema = adapter(ANSWERS[name]).json_schema()
    else:
        near = one_meant(name, schema_names())
        remedy = f"Did you mean {near}?" if near else "Type `wellread schema`, which lists them"
        raise UsageError(where=name, problem="no schema has this name", remedy=remedy)
    return {"$schema": DIALECT, **schema}


def schema_files() -> dict[str, bytes]:
    """The files of `schemas/json/` as the models make them: name → bytes."""
    out = {}
    for name in schema_names():
        if name not in _PROFILES:
            text = json.dumps(schema_document(name), indent=2, ensure_ascii=False) + "\n"
            out[f"{name}.schema.json"] = text.encode()
    return out
