"""`python -m tests.goldens`: the JSON Schemas in schemas/json/ and the READMEs' made tables anew."""

from __future__ import annotations

from pathlib import Path

from pipeline.run.schemas import schema_files
from tests.pages import PAGES, ROOT, made

FOLDER = Path(__file__).parents[1] / "schemas" / "json"


def main() -> None:
    """Write every schema file, and every page that holds a made table."""
    for name, content in schema_files().items():
        (FOLDER / name).write_bytes(content)
    for page in PAGES:
        (ROOT / page).write_text(made(page), encoding="utf-8")


if __name__ == "__main__":
    main()
