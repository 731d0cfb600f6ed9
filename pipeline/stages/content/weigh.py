"""The word on an embedded check.

How likely by chance, whether it lifts a grade, and what several chips say together.

Source: chance of at least one match among m schemes of b bits is 1 - (1 - 2^-b)^m (definition); several chips
are a binomial tail.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from functools import lru_cache

from pipeline.stages.content.model import MOST_CHANCE, SelfCheck
from pipeline.stages.content.order import order_fixed
from pipeline.words import Words


def chance_of(bits: float, schemes: Mapping[int, int]) -> tuple[float, int]:
    """Chance that one scheme as strong as this holds by accident, and how many such schemes there are.

    Example:
        >>> round(chance_of(8, {8: 177})[0], 6)
        0.499806
    """
    strong = {width: count for width, count in schemes.items() if width >= bits}
    log_none = sum(count * math.log1p(-(2.0**-width)) for width, count in strong.items())
    return -math.expm1(log_none), sum(strong.values())


def _decided(check: SelfCheck, *, fixed: str | None, unseen: str = "") -> SelfCheck:
    """The check with its word on the grade."""
    if not check.holds:
        return check
    if check.chance > MOST_CHANCE:
        why = (
            f"chance alone does this in {check.chance:.2g} of such images ({check.tried_as_strong} "
            f"schemes as strong were tried)"
        )
        return check._replace(lifts=False, why=why)
    if not check.whole:
        return check._replace(lifts=False, why="it leaves words out that carry something")
    if check.order_blind and fixed is None:
        seen = f", and nothing else would notice {unseen}" if unseen else ""
        return check._replace(lifts=False, why=f"it does not see the order of the words{seen}")
    reason = f"beyond chance ({check.chance:.2g})" + (f"; {fixed} fix the order" if check.order_blind else "")
    return check._replace(lifts=True, why=reason)


def weighed(check: SelfCheck, images: Mapping[str, Words], bits: int) -> SelfCheck:
    """The check with its word on the grade; the order is looked into only where that decides."""
    if not check.holds or check.tried == 1:
        return check
    if check.chance > MOST_CHANCE or not check.order_blind or not check.whole:
        return _decided(check, fixed=None)
    fixed: str | None = None
    unseen = ""
    for name in check.images:
        if name not in images:
            return _decided(check, fixed=None)
        fixed, unseen = order_fixed(images[name], bits)
        if fixed is None:
            break
    return _decided(check, fixed=fixed, unseen=unseen)


def recurring(
    checks: Sequence[SelfCheck],
    schemes: Mapping[str, Mapping[int, int]],
    images: Mapping[str, Words] | None = None,
    bits: int = 8,
    *,
    digests: Mapping[str, bytes] | None = None,
) -> tuple[SelfCheck, ...]:
    """The same checks, those that hold on several chips of a board weighed together.

    One 8-bit sum that holds means nothing; the same one holding on five chips of five is a design. Copies of
    one content are one witness, so only chips whose content is known to differ are weighed together.

    Args:
        checks: Of all chips of a board, each over one chip alone or over a set.
        schemes: For each chip that was searched, how many schemes were tried by width (`schemes_tried`);
            chips without a hit belong here too.
        images: The words, to ask whether the order is fixed; without them order-blind checks lift nothing.
        bits: Bits a word.
        digests: A digest of each chip's content (`Signature.digest`), needed for chips without an image here.

    Returns:
        As many checks as were given, in the same order. Nothing is raised.
    """
    known = dict(digests or {}) | {name: words.tobytes() for name, words in (images or {}).items()}
    by_method: dict[tuple[str, float], dict[bytes, str]] = defaultdict(dict)
    for check in checks:
        if check.holds and len(check.images) == 1 and check.tried > 1 and check.images[0] in known:
            by_method[check.method, check.width_bits].setdefault(known[check.images[0]], check.images[0])
    searched = [name for name, counts in schemes.items() if counts]
    # Copies of one content hold the same check by being copies: they count as one trial.
    different = len({known.get(name, name.encode()) for name in searched})
    most = max((sum(schemes[name].values()) for name in searched), default=1)
    out = []
    for check in checks:
        witnesses = by_method.get((check.method, check.width_bits), {})
        alone = len(check.images) != 1 or len(witnesses) < 2 or known.get(check.images[0]) not in witnesses
        joint = 1.0 if alone else min(1.0, most * _tail(check.width_bits, len(witnesses), different))
        if not check.holds or joint >= check.chance:
            out.append(check)
            continue
        told = check._replace(chance=float(f"{joint:.3g}"))
        judged = weighed(told, images or {}, bits)
        why = f"{judged.why}; the same scheme holds on {len(witnesses)} of {different} different contents"
        out.append(judged._replace(why=why))
    return tuple(out)


@lru_cache(maxsize=1024)
def _tail(bits: float, good: int, chips: int) -> float:
    """Chance that one scheme holds on at least `good` of the chips by accident.

    A binomial tail, summed in logs.
    """
    each, out = 2.0**-bits, 0.0
    for k in range(good, chips + 1):
        log = math.lgamma(chips + 1) - math.lgamma(k + 1) - math.lgamma(chips - k + 1)
        term = math.exp(log + k * math.log(each) + (chips - k) * math.log1p(-each))
        out += term
        # Above the mean the terms fall faster than geometrically: what follows is below rounding.
        if k > chips * each and term < 1e-15 * out:
            break
    return min(1.0, out)
