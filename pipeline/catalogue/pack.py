"""Packs `parts.yaml` into the `parts.json` that the program loads: `python -m pipeline.catalogue.pack > …`.

The redirection goes to `pipeline/catalogue/parts.json`; a test fails while the two files disagree.
"""

from __future__ import annotations

import pkgutil
import sys

import yaml

from pipeline.catalogue import PackedCatalogue


def packed() -> str:
    """The catalogue of `parts.yaml` as one JSON document, every part checked by the schema.

    Raises:
        ValueError: An entry contradicts itself (pydantic's error names it).
    """
    text = pkgutil.get_data("pipeline.catalogue", "parts.yaml")
    assert text is not None, "parts.yaml lies beside this module"
    catalogue = PackedCatalogue.model_validate(yaml.safe_load(text))
    return catalogue.model_dump_json(exclude_defaults=True) + "\n"


if __name__ == "__main__":
    sys.stdout.write(packed())
