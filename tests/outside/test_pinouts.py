"""Pinouts of the catalogue held against tables and adapters that others have printed."""

from __future__ import annotations

import pytest

from pipeline.bench.sockets import Wire, wiring
from pipeline.catalogue import load
from schemas.part import Part

CATALOGUE = load()

BYTE_1986 = """
     2716 2732A 2764 28C64 27128 27256 28C256 27512
1    -    -     Vpp  RBN   Vpp   Vpp   A14    A15
2    -    -     A12  A12   A12   A12   A12    A12
3    A7   A7    A7   A7    A7    A7    A7     A7
4    A6   A6    A6   A6    A6    A6    A6     A6
5    A5   A5    A5   A5    A5    A5    A5     A5
6    A4   A4    A4   A4    A4    A4    A4     A4
7    A3   A3    A3   A3    A3    A3    A3     A3
8    A2   A2    A2   A2    A2    A2    A2     A2
9    A1   A1    A1   A1    A1    A1    A1     A1
10   A0   A0    A0   A0    A0    A0    A0     A0
11   D0   D0    D0   D0    D0    D0    D0     D0
12   D1   D1    D1   D1    D1    D1    D1     D1
13   D2   D2    D2   D2    D2    D2    D2     D2
14   GND  GND   GND  GND   GND   GND   GND    GND
15   D3   D3    D3   D3    D3    D3    D3     D3
16   D4   D4    D4   D4    D4    D4    D4     D4
17   D5   D5    D5   D5    D5    D5    D5     D5
18   D6   D6    D6   D6    D6    D6    D6     D6
19   D7   D7    D7   D7    D7    D7    D7     D7
20   /CE  /CE   /CE  /CE   /CE   /CE   /CE    /CE
21   A10  A10   A10  A10   A10   A10   A10    A10
22   /OE  /OE   /OE  /OE   /OE   /OE   /OE    /OE
23   Vpp  A11   A11  A11   A11   A11   A11    A11
24   A9   A9    A9   A9    A9    A9    A9     A9
25   A8   A8    A8   A8    A8    A8    A8     A8
26   Vcc  Vcc   NC   NC    A13   A13   A13    A13
27   -    -     /PGM /WE   /PGM  A14   /WE    A14
28   -    -     Vcc  Vcc   Vcc   Vcc   Vcc    Vcc
"""
"""Pins as seen in a 28-pin socket; a 24-pin part sits at the ground end.

Source: S. Ciarcia, "Build an Intelligent Serial EPROM Programmer", BYTE, October 1986, p. 106, and for the
28C parts the AT28C64 and AT28C256 data sheets, both as transcribed in a public note (second-hand).
"""
COLUMNS = BYTE_1986.split("\n")[1].split()


def printed(column: int) -> dict[int, str]:
    rows = [line.split() for line in BYTE_1986.strip().splitlines()[1:]]
    return {int(row[0]): row[column + 1] for row in rows if row[column + 1] != "-"}


def catalogued(part: Part) -> dict[int, str]:
    shift = (28 - part.pins) // 2
    plain = {"vcc": "Vcc", "gnd": "GND", "nc": "NC"}
    return {use.pin + shift: plain.get(use.role, use.name) for use in part.pin_table}


@pytest.mark.parametrize("column", range(len(COLUMNS)), ids=COLUMNS)
def test_a_printed_pin_table_says_the_same_pin_for_pin(column: int) -> None:
    expected, found = printed(column), catalogued(CATALOGUE.find(COLUMNS[column]))
    assert len(expected) in {24, 28}
    status_on_some = {1} if COLUMNS[column] == "28C64" else set()  # ready/busy, or not connected
    assert {
        pin: (name, found[pin]) for pin, name in expected.items() if found[pin].split(" / ")[0] != name
    }.keys() == status_on_some


def test_an_adapter_that_read_a_2564_as_a_2764_joined_the_same_lines() -> None:
    """Source: cctalk list, October 2010 (second-hand): 20 -> 23 (A11), 23 -> 2 (A12), 2 and 27 -> 22 (/OE),
    1 (Vpp) -> 28 (Vcc), 22 (PD/PGM) -> 20 (/CE); all others straight through."""
    old, new = wiring(CATALOGUE.find("2564")), wiring(CATALOGUE.find("2764"))
    joined = {20: 23, 23: 2, 2: 22, 27: 22, 1: 28, 22: 20}
    assert {pin: (old[pin], new[to]) for pin, to in joined.items() if old[pin] != new[to]} == {}
    straight = set(old) - set(joined) - {26}
    assert {pin for pin in straight if old[pin] != new[pin]} == set()
    assert old[26] == Wire("rail", 5.0)  # "not connected" on the 2764, +5 V on the 2564
