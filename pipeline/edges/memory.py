"""Whether there is room for the libraries that count and compare, asked before they are loaded.

Under a limit that is too low they do not raise: they end the process with a word of their own, break it, or
try for ever.
"""

from __future__ import annotations

from pipeline.edges.disk_errors import no_memory

FEWEST_BYTES = 512 << 20
"""Of address space. Measured on Linux (x86-64, two cores): the example is packaged in 390 MiB; from 380 down
to 260 the libraries ended the process, or it never ended. More cores want more.
"""


def need_room(where: str) -> None:
    """Refuse to begin under a limit of address space that is too low; where none is set nothing is said.

    Args:
        where: What is to be worked on, for the message.

    Raises:
        ResourceError: The limit is lower than `FEWEST_BYTES`.
    """
    try:
        import resource
    except ImportError:  # a system that sets no such limits
        return
    limit, _ = resource.getrlimit(resource.RLIMIT_AS)
    if limit not in {resource.RLIM_INFINITY, -1} and limit < FEWEST_BYTES:
        raise no_memory(where)
