#!/usr/bin/env bash
# Brings the judges that `tests/outside` asks and that cannot share an environment with the tests: the RO-Crate validator
# (an environment of its own, see `judges` in pyproject.toml) and the Nu Html Checker (needs Java).
# Usage: bash .ci/judges.sh [PYTHON]. May run again at any time; where something cannot be had it says so and leaves
# with 0, since the checks then skip with a word of their own.
set -u
cd "$(dirname "$0")/.."
python="${1:-python3}"
place="$("$python" -c 'import sys; print(sys.prefix)')/judges"
wanted="$("$python" -c 'import tomllib; print(*tomllib.load(open("pyproject.toml", "rb"))["project"]["optional-dependencies"]["judges"], sep="\n")')"

"$python" -m venv "$place" && echo "$wanted" | "$place/bin/pip" install --quiet -r /dev/stdin ||
    echo "the RO-Crate validator could not be installed: its checks will skip"
if command -v java >/dev/null 2>&1 && command -v npm >/dev/null 2>&1; then
    npm install --silent --no-audit --no-fund --ignore-scripts --prefix "$place" vnu-jar@26 ||
        echo "the Nu Html Checker could not be installed: its checks will skip"
else
    echo "no Java or no npm: the Nu Html Checker's checks will skip"
fi
exit 0
