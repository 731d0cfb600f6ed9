"""Our JSON Schemas before a second implementation: `jsonschema-rs`, which shares nothing with `jsonschema`.

Source: JSON Schema, draft 2020-12, and its meta-schema, as either library carries it.
"""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable
from typing import Any

import jsonschema
import jsonschema_rs
import pytest
import yaml

from pipeline.run.schemas import schema_document, schema_names
from tests.kit.example_bags import example_bag, example_bundle, record_of
from tests.outside.test_bundle_standards import cff_schema

NAMES = [name for name in schema_names() if not name.endswith("-profile")]


@pytest.mark.parametrize("name", NAMES)
def test_every_schema_meets_the_meta_schema_of_both_libraries(name: str) -> None:
    schema = schema_document(name)
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema_rs.meta.validate(schema)


@pytest.mark.parametrize("name", NAMES)
def test_a_schema_spoilt_is_one_for_neither(name: str) -> None:
    schema = {**schema_document(name), "type": "nothing that is known"}
    assert not jsonschema_rs.meta.is_valid(schema)
    with pytest.raises(jsonschema.SchemaError):
        jsonschema.Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize("made", [example_bag, example_bundle])
def test_both_find_the_record_as_its_schema_says(made: Callable[[], Any]) -> None:
    schema = schema_document("record")
    jsonschema.Draft202012Validator(schema).validate(record_of(made()))
    jsonschema_rs.Draft202012Validator(schema).validate(record_of(made()))


def test_both_judge_two_hundred_damaged_records_alike() -> None:
    """A value anywhere is taken out, or becomes one of another kind."""
    schema, whole = schema_document("record"), record_of(example_bundle())
    whole["chips"] = whole["chips"][:3]
    ours = jsonschema.Draft202012Validator(schema)
    theirs = jsonschema_rs.Draft202012Validator(schema)
    chance, verdicts = random.Random(24), []
    for _ in range(200):
        damaged = copy.deepcopy(whole)
        damage(damaged, chance)
        assert ours.is_valid(damaged) == theirs.is_valid(damaged)
        verdicts.append(theirs.is_valid(damaged))
    assert verdicts.count(False) > 100


def damage(document: Any, chance: random.Random) -> None:
    """Walk down to some value and change it."""
    while True:
        key = chance.choice(list(document) if isinstance(document, dict) else range(len(document)))
        below = document[key]
        if isinstance(below, dict | list) and below and chance.random() < 0.8:
            document = below
            continue
        if chance.random() < 0.4:
            del document[key]
        else:
            document[key] = chance.choice([None, 7, -1, "x", [], {}, True])
        return


def test_both_find_the_citation_as_its_published_schema_says() -> None:
    document = yaml.safe_load((example_bundle() / "CITATION.cff").read_text(encoding="utf-8"))
    document["date-released"] = str(document["date-released"])
    schema = cff_schema()
    jsonschema_rs.validator_for(schema, validate_formats=True).validate(document)
    assert not jsonschema_rs.is_valid(schema, {**document, "authors": []})


def test_the_profiles_are_json_that_says_which_specification_it_follows() -> None:
    for name in ("bagit-profile", "bundle-profile"):
        told = json.loads(json.dumps(schema_document(name)))["BagIt-Profile-Info"]
        assert told["BagIt-Profile-Version"] == "1.4.0"
