"""Raw binary: every byte of the file is a byte of the chip.

The only format without any check of its own; whether a file is binary at all is decided in `registry`.
"""

from __future__ import annotations

import numpy as np

from pipeline.formats.neutral import Block, Declared, Decoded, Place, refuse

NAME = "binary"


def decode(content: bytes, declared: Declared) -> Decoded:
    """One block from address 0.

    Raises:
        FormatError: An empty file, or one longer than `declared.limit`.
    """
    if not content:
        refuse(Place(None, None, 0), "the file is empty", "copy the dump again")
    if declared.limit is not None and len(content) > declared.limit:
        refuse(
            Place(None, None, declared.limit),
            f"the file has {len(content)} bytes; at most {declared.limit} are expected",
            "check the part, or say with `take` which part of the file is the chip's",
        )
    block = Block(0, np.frombuffer(content, dtype=np.uint8))
    return Decoded(NAME, 8, ((block,),))
