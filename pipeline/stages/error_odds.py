"""How likely a settled bit is wrong, under a model that is stated and can be disputed.

The rule of settling: passes of one reader are one voice, which speaks for a bit only where all of them agree;
a bit is settled when at least one reader speaks and none speaks against. The numbers below are no promise:
they say what the rule gives where the model holds.

Model `fresh`: every pass of every reader errs at a bit independently, with the reader's error rate.
Model `lasting`: a reader errs at a bit or not, and then in every one of its passes (a bad contact, a wrong
supply); only readers are independent. It is the prudent one, since more passes do not help.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

if TYPE_CHECKING:
    from schemas.record import BitOdds

Model = Literal["fresh", "lasting"]


@dataclass(frozen=True, slots=True)
class Voice:
    """One reader's part in settling a chip.

    Attributes:
        error_rate: Chance that one pass has a bit wrong, 0 to 1 (an upper bound makes the result one).
        passes: Its passes, 1 or more.

    Raises:
        ValueError: Outside these ranges.
    """

    error_rate: float
    passes: int = 1

    def __post_init__(self) -> None:
        if not 0 <= self.error_rate <= 1 or self.passes < 1:
            raise ValueError("an error rate from 0 to 1 and at least one pass")


class SettlingOdds(NamedTuple):
    """What becomes of one bit.

    Attributes:
        wrong: Chance that it is settled, and wrongly.
        right: Chance that it is settled, and rightly.
        contested: Chance that it is not settled.
        model: `fresh` or `lasting`.
    """

    wrong: float
    right: float
    contested: float
    model: Model

    @property
    def wrong_where_settled(self) -> float:
        """Chance that a bit is wrong, given that it was settled; 0 where none ever is."""
        settled = self.wrong + self.right
        return self.wrong / settled if settled else 0.0

    def expected_wrong_bits(self, bits: int) -> float:
        """Wrong settled bits to expect in a chip of so many bits."""
        return self.wrong * bits

    def to_json(self) -> BitOdds:
        """As the project's documents carry it."""
        return {
            "model": self.model,
            "wrong": self.wrong,
            "right": self.right,
            "contested": self.contested,
            "wrong_where_settled": self.wrong_where_settled,
        }


def settling_odds(voices: Sequence[Voice], *, model: Model = "lasting") -> SettlingOdds:
    """Chances that a bit is settled wrongly, rightly, or stays contested.

    A reader with error rate p and k passes speaks wrongly with chance w, rightly with chance v, else is
    silent; under `fresh` w = p^k and v = (1−p)^k, under `lasting` w = p and v = 1−p. The bit is settled
    wrongly where every reader is wrong or silent, and not all silent: the product of (1−v) less the product
    of (1−v−w).

    Args:
        voices: The readers of the chip; independent of each other.
        model: `fresh` or `lasting`, see above.

    Raises:
        ValueError: No reader.

    Example:
        >>> settling_odds([Voice(0.01), Voice(0.01)]).wrong
        0.0001
    """
    if not voices:
        raise ValueError("no reader, no settlement")
    not_right = not_wrong = silent = 1.0
    for voice in voices:
        power = voice.passes if model == "fresh" else 1
        wrong, right = voice.error_rate**power, (1 - voice.error_rate) ** power
        quiet = max(0.0, 1 - wrong - right) if power > 1 else 0.0
        not_right *= wrong + quiet
        not_wrong *= right + quiet
        silent *= quiet
    wrong, right = not_right - silent, not_wrong - silent
    return SettlingOdds(wrong, right, max(0.0, 1 - wrong - right), model)
