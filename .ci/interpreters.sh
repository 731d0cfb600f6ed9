#!/usr/bin/env bash
# The short suite on every other Python that is here and that pyproject allows; says which were run and which are not here.
set -euo pipefail
own="$("$1" -c 'import sys; print("%d.%d" % sys.version_info[:2])')"
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
  place="$(mktemp -d)"
  "$found" -m venv "$place"
  "$place/bin/pip" install --quiet -e '.[test]'
  echo "The short suite on $("$place/bin/python" --version):"
  "$place/bin/python" -m pytest
  rm -r "$place"
done
