#!/usr/bin/env bash
# The short suite: what a Python or a library of another version is most likely to break, in some two minutes on two
# cores. Usage: bash .ci/short.sh PYTHON
set -euo pipefail
cd "$(dirname "$0")/.."
# The profile draws anew each time; here every run asks the same.
HYPOTHESIS_PROFILE=dev "$1" -m pytest --hypothesis-seed=0 -m "not drill and not clock" \
    tests/contract/test_doctests.py tests/contract/test_record_types.py tests/unit/test_sheet.py \
    tests/unit/test_grade.py tests/journey/test_package.py tests/reliability/test_known_bags_and_their_ledger.py
