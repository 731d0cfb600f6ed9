"""What a shelf is asked, as SQL; no part of a question comes from outside."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from pipeline.holdings import ranking

_OF_CHIPS = (
    "id",
    "chip",
    "board",
    "socket",
    "part",
    "kind",
    "fades_to",
    "organisation",
    "label",
    "marking",
    "inventory",
    "year",
    "state",
    "grade",
    "held_back",
    "findings",
    "read",
    "twins",
    "image_path",
    "sha256",
)
COLUMNS = (
    "bags.path, bags.bag, bags.machine, bags.custodian, bags.released, bags.rights, bags.last_check, "
    f"bags.last_outcome, {', '.join(f'chips.{name}' for name in _OF_CHIPS)}"
)
"""What an answer shows of a chip; samples and digests of halves stay where they are."""
_FROM = "FROM chips JOIN bags ON bags.id = chips.bag_id"
_ORDER = "ORDER BY bags.machine, bags.version, bags.path, chips.id"
NEWEST = "bags.newest = 1"
OTHERS = """
WITH owners AS (
    SELECT id, dense_rank() OVER (ORDER BY machine, custodian, serial) AS owner FROM bags
), same_content AS (
    SELECT chips.sha256, count(DISTINCT owners.owner) AS machines
    FROM chips CROSS JOIN owners ON owners.id = chips.bag_id
    WHERE chips.sha256 != '' AND chips.bare = 0 GROUP BY chips.sha256
), same_label AS (
    SELECT chips.part, chips.label, count(DISTINCT owners.owner) AS machines
    FROM chips CROSS JOIN owners ON owners.id = chips.bag_id
    WHERE chips.label != '' GROUP BY chips.label COLLATE NOCASE, chips.part COLLATE NOCASE
)
"""
"""How many machines hold the same content, and how many a chip of the same part and label.

One machine is told from another by its id, its custodian and its serial number.
"""


class Question(NamedTuple):
    """One thing that a shelf is asked.

    Attributes:
        where: The condition, with `:value` for what was given.
        says: What it asks, for a person.
    """

    where: str
    says: str


QUESTIONS: Mapping[str, Question] = {
    "part": Question(
        "(chips.part = :value COLLATE NOCASE OR chips.catalogued = :value COLLATE NOCASE)", "of that part"
    ),
    "label": Question("chips.label = :value COLLATE NOCASE", "with that label"),
    "marking": Question("instr(lower(chips.marking), lower(:value))", "so marked"),
    "machine": Question("bags.machine = :value COLLATE NOCASE", "of that machine"),
    "inventory": Question("(chips.inventory = :value OR bags.inventory = :value)", "under that number"),
    "grade": Question("chips.grade = :value", "of that grade"),
    "unread": Question("chips.grade = 'missing'", "without a usable reading"),
    "contested": Question("chips.grade IN ('contested', 'faulty')", "contested or faulty"),
    "fading": Question(
        "chips.grade = 'single' AND chips.fades_to IS NOT NULL", "read once only, on parts that fade"
    ),
    "content": Question("chips.sha256 = lower(:value)", "with that content"),
}
"""By the option that asks it."""


def chips_where(names: tuple[str, ...], *, all_versions: bool) -> str:
    """The question for chips that meet several conditions at once.

    Args:
        names: Keys of `QUESTIONS`; the value of each is bound as `:NAME`.
        all_versions: Whether earlier versions of a bag, and bundles of it, count as well.
    """
    conditions = [QUESTIONS[name].where.replace(":value", f":{name}") for name in names]
    conditions += [] if all_versions else [NEWEST]
    where = " AND ".join(conditions) or "1"
    # The numbers first, so that no more than the rows that are given are carried through the sort.
    return (
        f"SELECT {COLUMNS}, (SELECT count(*) {_FROM} WHERE {where}) AS total {_FROM} WHERE chips.id IN "
        f"(SELECT chips.id {_FROM} WHERE {where} {_ORDER} LIMIT :most) {_ORDER}"
    )


def condition(names: tuple[str, ...]) -> str:
    """Several conditions at once, as `chips_where` has them."""
    return " AND ".join(QUESTIONS[name].where.replace(":value", f":{name}") for name in names) or "1"


def to_read(condition: str) -> str:
    """The question for chips that want reading, weightiest first.

    Each with `others`, how many other machines hold the same, and `score`, the sum of the weights of
    `ranking`; a test holds the two sums together.

    Args:
        condition: A further one, of `QUESTIONS`, or "1".
    """
    grades = " ".join(f"WHEN '{grade}' THEN {weight}" for grade, (weight, _) in ranking.GRADES.items())
    old = " ".join(f"WHEN :year - year >= {years} THEN {weight}" for years, weight in ranking.OLD)
    elsewhere = ", ".join(f"'{one}'" for one in sorted(ranking.ELSEWHERE))
    grades_asked = ", ".join(f"'{one}'" for one in ranking.GRADES)
    return f"""
{OTHERS}, asked AS (
    SELECT chips.id AS number, chips.grade, chips.state, chips.held_back, chips.fades_to, chips.year,
        chips.twins, bags.machine, bags.path, chips.chip,
        max(coalesce(same_content.machines, 1), coalesce(same_label.machines, 1)) - 1 AS others
    {_FROM}
    LEFT JOIN same_content ON same_content.sha256 = chips.sha256
    LEFT JOIN same_label
        ON same_label.label = chips.label COLLATE NOCASE AND same_label.part = chips.part COLLATE NOCASE
    WHERE {NEWEST} AND chips.state NOT IN ({elsewhere}) AND ({condition})
        AND (chips.held_back != '' OR chips.grade IN ({grades_asked}))
), ranked AS (
    SELECT number, others,
        CASE WHEN grade = 'missing' AND state = 'read-failed' THEN {ranking.FAILED[0]}
            ELSE CASE grade {grades} ELSE 0 END END
        + (held_back != '') * {ranking.HELD_BACK[0]}
        + CASE WHEN fades_to IS NULL THEN 0
            ELSE {ranking.FADES[0]} + CASE WHEN year IS NULL THEN 0 {old} ELSE 0 END END
        + (others = 0) * {ranking.SOLE[0]}
        + (twins = 0 AND grade != 'missing') * {ranking.NO_TWIN[0]} AS score,
        count(*) OVER () AS total
    FROM asked ORDER BY score DESC, machine, path, chip LIMIT :most
)
SELECT {COLUMNS}, others, score, total FROM ranked JOIN chips ON chips.id = number
JOIN bags ON bags.id = chips.bag_id ORDER BY score DESC, machine, path, chip
"""  # noqa: S608 - ours alone


def like(what: str) -> str:
    """The question for chips like an image: `sample`, `shape`, `sha256`, `halves` or `whole` of a half."""
    conditions = {
        "sha256": "chips.sha256 = :sha256",
        "shape": "chips.shape = :shape AND chips.sha256 != :sha256 AND chips.shape != ''",
        "halves": "chips.sha256 IN (:low, :high) AND chips.sha256 != ''",
        "whole": "(chips.low_half = :sha256 OR chips.high_half = :sha256)",
    }
    return f"SELECT {COLUMNS} {_FROM} WHERE {conditions[what]} {_ORDER}"


SAMPLES = "SELECT chips.id, chips.sample FROM chips WHERE words = :words AND bits = :bits AND sample != x''"
BY_NUMBER = f"SELECT {COLUMNS} {_FROM} WHERE chips.id IN (SELECT value FROM json_each(:numbers)) {_ORDER}"  # noqa: S608
COUNTS = f"SELECT grade, count(*) AS chips {_FROM} WHERE {NEWEST} GROUP BY grade"
TROUBLED = "SELECT path, trouble FROM bags WHERE trouble != '' ORDER BY path"
BAGS = "SELECT count(*) AS bags, (SELECT count(*) FROM chips) AS chips FROM bags"
SAME_SOCKET = (
    f"SELECT {COLUMNS} {_FROM} WHERE chips.socket = :socket COLLATE NOCASE "
    "AND chips.part = :part COLLATE NOCASE AND chips.board IN (:own, :board) " + _ORDER
)
"""The same part in the same socket of a board of the same id."""
