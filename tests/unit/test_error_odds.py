"""The chance that a settled bit is wrong, under two stated models."""

from __future__ import annotations

from itertools import product

import pytest

from pipeline.stages.error_odds import Model, SettlingOdds, Voice, settling_odds


def enumerated(voices: list[Voice], model: Model) -> tuple[float, float, float]:
    """Every outcome of every pass, weighed and settled by the rule itself: slow, and beyond doubt."""
    passes = [(number, voice) for number, voice in enumerate(voices) for _ in range(voice.passes)]
    if model == "lasting":
        passes = list(enumerate(voices))
    wrong = right = contested = 0.0
    for outcome in product([False, True], repeat=len(passes)):
        chance = 1.0
        said: dict[int, set[bool]] = {}
        for errs, (number, voice) in zip(outcome, passes, strict=True):
            chance *= voice.error_rate if errs else 1 - voice.error_rate
            said.setdefault(number, set()).add(errs)
        speaking = {next(iter(heard)) for heard in said.values() if len(heard) == 1}
        if speaking == {True}:
            wrong += chance
        elif speaking == {False}:
            right += chance
        else:
            contested += chance
    return wrong, right, contested


@pytest.mark.parametrize("model", ["fresh", "lasting"])
@pytest.mark.parametrize(
    "voices",
    [
        [Voice(0.1)],
        [Voice(0.1, 3)],
        [Voice(0.1), Voice(0.2)],
        [Voice(0.1, 2), Voice(0.2, 3)],
        [Voice(0.3, 2), Voice(0.2, 2), Voice(0.05)],
        [Voice(0.0, 2), Voice(1.0, 2)],
    ],
)
def test_the_odds_are_those_of_all_outcomes_settled_one_by_one(voices: list[Voice], model: Model) -> None:
    odds = settling_odds(voices, model=model)

    assert (odds.wrong, odds.right, odds.contested) == pytest.approx(enumerated(voices, model), abs=1e-12)


def test_more_passes_help_only_where_errors_are_fresh() -> None:
    once, thrice = [Voice(0.01)], [Voice(0.01, 3)]

    assert settling_odds(thrice, model="fresh").wrong == pytest.approx(1e-6)
    assert settling_odds(thrice, model="lasting").wrong == settling_odds(once).wrong == pytest.approx(0.01)


def test_two_readers_without_dissent_are_wrong_less_often_than_a_majority_of_three() -> None:
    # Source: for three, 3p^2 - 2p^3 (Lyons & Vanderkulk 1962, IBM Journal 6).
    assert settling_odds([Voice(0.01), Voice(0.01)]).wrong < 3 * 0.01**2 - 2 * 0.01**3


def test_a_reader_known_to_be_perfect_is_never_settled_wrongly() -> None:
    odds = settling_odds([Voice(0.0), Voice(0.5)])

    assert odds.wrong == 0
    assert odds.wrong_where_settled == 0
    assert odds.contested == 0.5


def test_the_expected_wrong_bits_are_the_chance_times_the_bits() -> None:
    odds = settling_odds([Voice(1e-3)])

    assert odds.expected_wrong_bits(16384) == pytest.approx(16.384)
    assert odds.to_json()["model"] == "lasting"


def test_no_reader_and_a_rate_above_one_are_refused() -> None:
    with pytest.raises(ValueError, match="no reader"):
        settling_odds([])
    with pytest.raises(ValueError, match="error rate"):
        Voice(1.5)


def test_odds_are_kept_under_their_names_with_the_chance_where_settled() -> None:
    assert SettlingOdds(0.1, 0.3, 0.6, "fresh").to_json() == {
        "model": "fresh",
        "wrong": 0.1,
        "right": 0.3,
        "contested": 0.6,
        "wrong_where_settled": 0.25,
    }
    assert SettlingOdds(0.0, 0.0, 1.0, "lasting").to_json()["wrong_where_settled"] == 0


def test_without_a_reader_nothing_is_settled_and_no_chance_is_told() -> None:
    with pytest.raises(ValueError, match=r"^no reader, no settlement$"):
        settling_odds([])
