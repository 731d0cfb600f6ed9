"""Addresses that instructions name without going there."""

from __future__ import annotations

import numpy as np

from pipeline.stages.content.flow_of_control.begins import starts
from pipeline.stages.content.flow_of_control.decode import decode
from pipeline.stages.content.flow_of_control.named_addresses import named_addresses, naming_nats


def _named(family: str, raw: bytes) -> list[int]:
    data = np.frombuffer(raw, dtype=np.uint8)
    one = decode(family, data)
    return [int(at) for at in named_addresses(one, data, np.ones(len(one.length), dtype=bool))]


def test_the_68000_names_an_address_by_lea_pea_and_move_and_a_z80_by_a_load_of_a_pair() -> None:
    raw = bytes.fromhex("45f9000123404879000123502f3c00012360")
    assert _named("68000", raw) == [0x12340 // 2, 0x12350 // 2, 0x12360 // 2]
    assert _named("z80", bytes.fromhex("21341211785601bc9a")) == [0x1234, 0x5678, 0x9ABC]


def test_a_name_that_is_cut_off_at_the_end_names_nothing_and_other_families_are_not_asked() -> None:
    assert _named("68000", bytes.fromhex("45f90001")) == []
    assert _named("z80", bytes.fromhex("2134")) == []
    assert _named("65c02", bytes.fromhex("bd3412")) == []


def test_a_name_speaks_for_the_place_where_a_text_begins_and_against_the_middle_of_an_instruction() -> None:
    data = np.frombuffer(
        bytes.fromhex("3e00cd3412") * 60 + b"\xc9\x00HELLO\x00" + b"\xc9" * 20, dtype=np.uint8
    )
    one = decode("z80", data)
    says = naming_nats(data, starts(one.length[None], one.flow[None]), 1)
    begin = data.tobytes().index(b"HELLO")
    assert says[begin] > 3
    assert says[begin + 1] < says[begin]
    assert says[101] < 0
