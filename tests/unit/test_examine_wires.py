"""The wire model: each fault does what its definition says, and an injector without effect complains."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

from tests.kit import wires
from tests.kit.wires import Bench, UnchangedError, drop_bytes, strip_to_seven_bits


def test_the_model_imports_nothing_of_the_program() -> None:
    tree = ast.parse(Path(wires.__file__).read_text(encoding="utf-8"))
    imported = {
        name.split(".")[0]
        for node in ast.walk(tree)
        for name in (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else []
        )
    }
    assert imported
    assert not imported & {"pipeline", "schemas"}


def test_a_bench_without_faults_reads_the_truth() -> None:
    truth = np.arange(16, dtype=np.uint8)
    assert np.array_equal(Bench(truth).read(), truth)


def test_a_dead_line_shows_the_word_at_its_level() -> None:
    truth = np.arange(8, dtype=np.uint8)
    assert Bench(truth).kill_address_line(1, 1).read().tolist() == [2, 3, 2, 3, 6, 7, 6, 7]


def test_joined_address_lines_with_low_winning_are_an_and() -> None:
    truth = np.arange(8, dtype=np.uint8)
    assert Bench(truth).join_address_lines(0, 1, "low").read().tolist() == [0, 0, 0, 3, 4, 4, 4, 7]
    assert Bench(truth).join_address_lines(0, 1, "high").read().tolist() == [0, 3, 3, 3, 4, 7, 7, 7]


def test_joined_data_lines_with_low_winning_are_an_and() -> None:
    truth = np.array([0, 1, 2, 3], dtype=np.uint8)
    assert Bench(truth).join_data_lines(0, 1, "low").read().tolist() == [0, 0, 0, 3]


def test_a_skipped_and_a_repeated_word_move_what_follows() -> None:
    truth = np.arange(8, dtype=np.uint8)
    assert Bench(truth).skip_word(3).read().tolist() == [0, 1, 2, 4, 5, 6, 7, 0]
    assert Bench(truth).repeat_word(3).read().tolist() == [0, 1, 2, 2, 3, 4, 5, 6]


def test_parity_makes_every_byte_even() -> None:
    sent = strip_to_seven_bits(bytes(range(256)), "even")
    assert all(byte.bit_count() % 2 == 0 for byte in sent)


def test_an_injector_that_changes_nothing_complains() -> None:
    blank = np.zeros(16, dtype=np.uint8)
    with pytest.raises(UnchangedError):
        Bench(blank).kill_address_line(2, 0)
    with pytest.raises(UnchangedError):
        Bench(blank).stick_data_line(2, 0)
    with pytest.raises(UnchangedError):
        drop_bytes(b"", 0)
