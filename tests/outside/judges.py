"""Where the judges are that do not live in the tests' own interpreter, and what is said where one is missing.

`bash .ci/judges.sh` brings them: into an environment of their own beside this one's packages, since the
RO-Crate validator's dependencies are older than the command line's.
"""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pytest

PLACE = Path(sys.prefix) / "judges"
PUBLISHED = Path(__file__).parents[1] / "assets" / "published"


def crate_python() -> Path:
    """The interpreter that has `roc-validator`."""
    found = PLACE / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    if not found.is_file() or not any(PLACE.glob("[Ll]ib/**/site-packages/rocrate_validator")):
        pytest.skip("the RO-Crate validator is not here: `bash .ci/judges.sh` brings it")
    return found


def page_checker() -> list[str]:
    """The Nu Html Checker's command line."""
    jar = PLACE / "node_modules" / "vnu-jar" / "build" / "dist" / "vnu.jar"
    java = shutil.which("java")
    if java is None or not jar.is_file():
        pytest.skip("the Nu Html Checker or Java is not here: `bash .ci/judges.sh` brings the checker")
    return [java, "-Xss2m", "-jar", str(jar)]
