#!/usr/bin/env bash
# Brings what the browser checks need: Debian's chromium, and its driver and axe-core from PyPI.
# Usage: bash .ci/browser.sh [PYTHON]. May run again at any time; where something cannot be had it says so and
# leaves with 0, since the checks then skip with a word of their own.
set -u
python="${1:-python3}"

if ! command -v chromium >/dev/null 2>&1; then
    if command -v apt-get >/dev/null 2>&1 && [ "$(id -u)" = 0 ]; then
        export DEBIAN_FRONTEND=noninteractive
        apt-get update -qq >/dev/null 2>&1
        apt-get install -y -qq --no-install-recommends chromium fonts-dejavu-core >/dev/null 2>&1 ||
            echo "chromium could not be installed: the browser checks will skip"
    else
        echo "no chromium, and no right to install it here: the browser checks will skip"
    fi
fi

PLAYWRIGHT_SKIP_BROWSER_DOWNLOAD=1 "$python" -m pip install -q "playwright>=1.49" "axe-playwright-python>=0.1.4" ||
    echo "the browser's driver could not be installed: the browser checks will skip"
exit 0
