#!/usr/bin/env bash
# The short suite on every other Python that is here and that pyproject allows; says which were run and which are not
# here. Usage: bash .ci/interpreters.sh PYTHON, whose own version is left out.
set -euo pipefail
cd "$(dirname "$0")/.."
own="$("$1" -c 'import sys; print("%d.%d" % sys.version_info[:2])')"
place="$(mktemp -d)"
trap 'rm -rf "$place"' EXIT
for version in 3.11 3.12 3.13; do
  [ "$version" = "$own" ] && continue
  found=""
  for candidate in "python$version" "${PYENV_ROOT:-$HOME/.pyenv}/versions/$version".*/bin/python; do
    if "$candidate" -c '' 2>/dev/null; then found="$candidate"; fi
  done
  if [ -z "$found" ]; then
    echo "Python $version is not here: not run"
    continue
  fi
  "$found" -m venv "$place/$version"
  "$place/$version/bin/pip" install --quiet -e '.[test]'
  echo "The short suite on $("$place/$version/bin/python" --version):"
  bash .ci/short.sh "$place/$version/bin/python"
done
