"""`python -m tests.goldens`: the JSON Schemas in schemas/json/ written anew from the models."""

from __future__ import annotations

from pathlib import Path

from pipeline.run.schemas import schema_files

FOLDER = Path(__file__).parents[1] / "schemas" / "json"


def main() -> None:
    """Write every schema file."""
    for name, content in schema_files().items():
        (FOLDER / name).write_bytes(content)


if __name__ == "__main__":
    main()
