"""Bags on a disk: the names under which the rest of the program writes, watches and judges them.

The work is done in `bagwriter` (files), `staging` (names), `baghash` (walking and digests), `bagarchive` (bags
inside .zip and .tar) and `bagopinion` (what the common library says).
"""

from __future__ import annotations

from pipeline.bagflow import Entry, Observation, Seen
from pipeline.edges.baghash import observe, receipt
from pipeline.edges.bagopinion import second_opinion
from pipeline.edges.bagwriter import MemberStream, finish_bag, write_member
from pipeline.edges.staging import Leftover, Staging, leftovers, remove_leftover
from pipeline.formats.bagnames import is_portable, name_key, portable_name, unique_names

__all__ = [
    "Entry",
    "Leftover",
    "MemberStream",
    "Observation",
    "Seen",
    "Staging",
    "finish_bag",
    "is_portable",
    "leftovers",
    "name_key",
    "observe",
    "portable_name",
    "receipt",
    "remove_leftover",
    "second_opinion",
    "unique_names",
    "write_member",
]
