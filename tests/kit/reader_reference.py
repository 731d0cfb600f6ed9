"""The reference reader of the example, compiled for a board that is simulated: a chip read from a file."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from tests.kit.example_bags import EXAMPLE

READER = EXAMPLE / "reader" / "reader.cpp"
BOARD = """
#include <stdio.h>
#include <unistd.h>
#include <poll.h>
static uint32_t at; static unsigned char chip[2048]; static bool loaded;
static void set_address(uint32_t address) { at = address; }
static uint32_t read_data() {
    if (!loaded) { FILE *f = fopen(CHIP_FILE, "rb"); loaded = fread(chip, 1, 2048, f) == 2048; fclose(f); }
    return chip[at];
}
static void print(char c) { putchar(c); if (c == '\\n') fflush(stdout); }
static void wait_us(uint32_t us) { if (us >= 1000) usleep(us); }
static int heard() {
    struct pollfd p = {0, POLLIN, 0}; char c;
    return poll(&p, 1, 0) == 1 && (p.revents & POLLIN) && read(0, &c, 1) == 1 ? c : -1;
}
"""
LINES = """
#define READER_BOARD_HAS_LINES
static bool supplies_stand() { return true; }
static void rest() {}
static void strobe() {}
static int driven[19];
static void line_drive(unsigned line, bool high) { driven[line] = 1 + high; }
static void line_release(unsigned line) { driven[line] = 0; }
static bool line_level(unsigned line) {
    if (driven[line]) return driven[line] == 2;
    return !((line == 2 && driven[7] == 1) || (line == 7 && driven[2] == 1));
}
"""
"""What a board must have for the modes that look at single lines; A2 and A7 are joined."""
compiles = pytest.mark.skipif(
    shutil.which("g++") is None, reason="there is no g++ here to compile the reference reader"
)


def compiled(folder: Path, chip: Path, board: str, *modes: str) -> Path:
    """The program: a 2716 whose content is `chip`, on this board, in these modes of the reader."""
    (folder / "board.h").write_text(board, encoding="ascii")
    defined = [*modes, f'READER_BOARD="{folder / "board.h"}"', f'CHIP_FILE="{chip}"']
    made = folder / "-".join(("reader", *modes))
    subprocess.run(
        ["g++", "-std=c++11", *(f"-D{one}" for one in defined), str(READER), "-o", str(made)],
        check=True,
        timeout=120,
    )
    return made
