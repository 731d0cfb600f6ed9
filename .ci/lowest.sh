#!/usr/bin/env bash
# The short suite with the lowest version of every library that pyproject.toml allows the program; the tests' own
# libraries are the newest that go with them. Usage: bash .ci/lowest.sh [PYTHON]. No part of every run: by hand,
# whenever a bound changes.
set -euo pipefail
cd "$(dirname "$0")/.."
place="$(mktemp -d)"
trap 'rm -rf "$place"' EXIT
"${1:-python3}" -m venv "$place/env"
python="$place/env/bin/python"
"$python" - > "$place/lowest.txt" <<'PYTHON'
import re
import tomllib

with open("pyproject.toml", "rb") as file:
    project = tomllib.load(file)["project"]
for wanted in (*project["dependencies"], *project["optional-dependencies"]["serial"]):
    print(re.sub(r">=([0-9.]+).*", r"==\1", wanted))
PYTHON
"$python" -m pip install --quiet --constraint "$place/lowest.txt" -e '.[test]'
echo "The short suite with $(tr '\n' ' ' < "$place/lowest.txt")on $("$python" --version):"
bash .ci/short.sh "$python"
