"""What a mistyped name is answered with: the name that was meant, and nothing where none was."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from pydantic import BaseModel
from typer.main import get_command

from pipeline.catalogue import load
from pipeline.cli import app
from schemas.glossary import GLOSSARY
from schemas.meant import MOST_OFFERED, meant, one_meant
from schemas.part import Part
from schemas.sheet import Sheet

UNRELATED = """
apple bread butter cheese onion pepper garlic tomato kitchen spoon plate kettle oven sugar salt honey lemon
orange grape cherry garden flower rose tulip grass meadow forest river lake ocean island mountain valley
desert cloud rain snow storm thunder wind horse cow sheep goat dog cat mouse rabbit fox wolf lion tiger
elephant monkey eagle sparrow owl duck goose house window door roof garage chimney stairs carpet curtain
pillow blanket mirror candle lamp chair sofa shelf drawer broom bucket doctor nurse teacher farmer baker
butcher pilot sailor soldier lawyer judge painter singer dancer writer poet king queen prince knight summer
winter spring autumn monday friday morning evening night week month century moment yesterday tomorrow always
never often seldom happy angry hungry thirsty tired lazy brave clever gentle proud silent noisy bright dark
heavy light narrow broad deep shallow run jump swim climb laugh cry sing dance cook bake sew knit paint draw
write speak listen whisper shout dream bicycle train bus lorry ship boat canoe bridge tunnel street village
city harbour station ticket luggage journey holiday beach tent football tennis chess violin piano guitar
trumpet drum theatre cinema museum gallery library school lesson pencil eraser notebook ruler banana potato
carrot cabbage spinach pumpkin walnut almond raisin pasta rice soup salad steak sausage omelette pancake
biscuit muffin juice shirt trousers jacket sweater gloves scarf hat shoes boots socks belt button zipper
pocket sleeve collar needle thread wool cotton
""".split()  # noqa: SIM905 - a list of words is read more easily than a list of literals
"""Everyday words, from memory; without `bear` and `concert`, one letter from `bears` and `convert`."""
READERS = ("prog", "hb", "old-programmer", "bench2", "nano")


def models(kind: Any, seen: dict[str, tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
    """Every form of the sheet with its fields."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        if kind.__name__ not in seen:
            seen[kind.__name__] = tuple(kind.model_fields)
            for one in kind.model_fields.values():
                models(one.annotation, seen)
        return seen
    for inner in getattr(kind, "__args__", ()):
        models(inner, seen)
    return seen


def options() -> dict[str, tuple[str, ...]]:
    command: Any = get_command(app)
    return {
        f"options of {name}": tuple(opt for one in each.params for opt in one.opts if opt.startswith("--"))
        for name, each in command.commands.items()
    }


COMMANDS: Any = get_command(app)
SETS = {
    **models(Sheet, {}),
    **models(Part, {}),
    **options(),
    "codes and grades": tuple(GLOSSARY),
    "commands": tuple(COMMANDS.commands),
    "readers": READERS,
}
"""Every set of names among which one is looked for."""


def slips(name: str) -> Iterator[str]:
    """One letter missing, doubled, or exchanged with the next, the first letter left right."""
    for k in range(len(name) - len(name.lstrip("-")) + 1, len(name)):
        yield name[:k] + name[k + 1 :]
        yield name[:k] + name[k] + name[k:]
        if name[k - 1] != name[k] and name[k - 2 : k - 1].isalnum():
            yield name[: k - 1] + name[k] + name[k - 1] + name[k + 1 :]


def test_there_are_two_hundred_unrelated_words_and_many_names() -> None:
    assert len(set(UNRELATED)) > 200
    assert len(SETS) > 30
    assert sum(map(len, SETS.values())) > 300


@pytest.mark.parametrize("names", SETS)
def test_an_unrelated_word_is_answered_with_nothing(names: str) -> None:
    offered = {word: meant(word, SETS[names]) for word in UNRELATED}
    told = {word: near for word, near in offered.items() if near}
    # One vowel away, as `prag` is from `prog`: the price of answering such slips.
    assert told == ({"lake": ("--like",)} if "--like" in SETS[names] else {})


def test_an_unrelated_word_is_no_part() -> None:
    catalogue = load()
    offered = {word: catalogue.near(word) for word in UNRELATED}
    assert {word: near for word, near in offered.items() if near} == {}


@pytest.mark.parametrize("names", SETS)
def test_a_slip_of_the_hand_is_answered_with_the_name_that_was_meant(names: str) -> None:
    """No slip in five letters is answered with other names alone; of 30 at most one goes unanswered."""
    valid = SETS[names]
    made = [(slip, name) for name in valid if len(name) > 4 for slip in slips(name) if slip not in valid]
    answers = [(slip, name, meant(slip, valid)) for slip, name in made]
    assert [one for one in answers if one[2] and one[1] not in one[2]] == []
    assert sum(not near for _, _, near in answers) <= len(answers) / 30


@pytest.mark.parametrize("number", ["2716", "27256", "82S129", "74S287", "2708", "28C64"])
def test_a_slip_in_a_parts_number_is_answered_with_that_number_among_the_nearest(number: str) -> None:
    catalogue = load()
    for slip in (f"{number}0", number[:1] + number[0] + number[1:], number[:-2] + number[-1] + number[-2]):
        if catalogue.get(slip) is None:
            assert number in catalogue.near(slip), slip


@pytest.mark.parametrize(
    ("typed", "names", "near"),
    [
        ("Chips.CSV", ["chips.csv"], ("chips.csv",)),
        ("dead-address-line", list(GLOSSARY), ("address-line-dead",)),
        ("stuck data line", list(GLOSSARY), ("data-line-stuck",)),
        ("desc", ["description", "id"], ("description",)),
        ("temperature", ["temperature_c", "clock"], ("temperature_c",)),
        ("organization", ["organisation"], ("organisation",)),
        ("porg", ["prog", "hb"], ("prog",)),
        ("U11", ["U1", "U2"], ("U1",)),
        ("U1.prog.l.bin", ["U1.prog.1.bin", "U1.prog.2.bin"], ("U1.prog.1.bin",)),
        ("A1", ["A1a", "A1b"], ("A1a", "A1b")),
        ("U3", ["U1", "U2"], ()),
        ("BOX-U9", ["BOX-U1", "BOX-U2"], ()),
        ("line", list(GLOSSARY), ()),
        ("x", ["hb"], ()),
        ("", ["hb"], ()),
        (None, ["hb"], ()),
    ],
)
def test_names_are_told_apart_as_a_person_would(
    typed: str | None, names: list[str], near: tuple[str, ...]
) -> None:
    assert meant(typed, names) == near


def test_of_many_names_that_are_equally_near_none_is_offered() -> None:
    assert meant("board1g", [f"board1{letter}" for letter in "fhv"]) == ()
    assert MOST_OFFERED == 2


def test_two_names_are_told_as_one_or_the_other() -> None:
    assert one_meant("A1", ["A1a", "A1b"]) == "A1a or A1b"
