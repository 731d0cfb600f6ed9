"""A system that lacks some calls: the kernel itself refuses them, nothing of ours is patched.

A seccomp filter, put on a process of its own, answers chosen calls with an error number, as a file system
does that knows no locks, no exchange of names or no flush of a folder. It cannot be taken off again, so
everything runs in a child process. Linux on x86-64 only; elsewhere `cannot` says why not.
"""

from __future__ import annotations

import ctypes
import errno
import os
import platform
import struct
import sys
from collections.abc import Mapping
from pathlib import Path

from tests.kit.forked import ended, forked

CALLS = {
    "fsync": 74,
    "fdatasync": 75,
    "flock": 73,
    "rename": 82,
    "chmod": 90,
    "fchmod": 91,
    "fchmodat": 268,
    "link": 86,
    "linkat": 265,
    "syncfs": 306,
    "renameat2": 316,
}
"""Source: arch/x86/entry/syscalls/syscall_64.tbl of Linux."""
NTFS_LIKE = {
    "renameat2": errno.EINVAL,
    "link": errno.EPERM,
    "linkat": errno.EPERM,
    "chmod": errno.EPERM,
    "fchmodat": errno.EPERM,
}
"""What exFAT and FUSE mounts refuse in the way of names and rights; from memory."""
_PR_SET_NO_NEW_PRIVS, _PR_SET_SECCOMP, _FILTER = 38, 22, 2
_FCNTL, _SECOND_ARGUMENT, _F_SETLK, _F_SETLKW = 72, 24, 6, 7
_RET_ALLOW, _RET_ERRNO = 0x7FFF0000, 0x00050000


def refuse(calls: Mapping[str, int]) -> None:
    """From now on the kernel answers these calls of this process and its children with an error.

    Args:
        calls: Name of a call → error number; `locks of a part` are those of fcntl, which databases use.

    Raises:
        OSError: The kernel takes no filter.
    """
    program = [struct.pack("=HBBI", 0x20, 0, 0, 0)]  # load the call's number
    for name, number in calls.items():
        if name not in CALLS:
            continue
        program.append(struct.pack("=HBBI", 0x15, 0, 1, CALLS[name]))  # another one: skip the next line
        program.append(struct.pack("=HBBI", 0x06, 0, 0, _RET_ERRNO | number))
    if "locks of a part" in calls:
        number = calls["locks of a part"]
        program.append(struct.pack("=HBBI", 0x15, 0, 4, _FCNTL))
        program.append(struct.pack("=HBBI", 0x20, 0, 0, _SECOND_ARGUMENT))
        program.append(struct.pack("=HBBI", 0x15, 1, 0, _F_SETLK))
        program.append(struct.pack("=HBBI", 0x15, 0, 1, _F_SETLKW))
        program.append(struct.pack("=HBBI", 0x06, 0, 0, _RET_ERRNO | number))
    program.append(struct.pack("=HBBI", 0x06, 0, 0, _RET_ALLOW))
    packed = ctypes.create_string_buffer(b"".join(program), 8 * len(program))
    header = struct.pack("@HxxxxxxQ", len(program), ctypes.addressof(packed))
    library = ctypes.CDLL(None, use_errno=True)
    library.prctl(_PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0)
    if library.prctl(_PR_SET_SECCOMP, _FILTER, header, 0, 0) != 0:
        code = ctypes.get_errno()
        raise OSError(code, os.strerror(code))


def cannot() -> str:
    """Why this system cannot refuse calls, or ""."""
    if not sys.platform.startswith("linux") or platform.machine() != "x86_64":
        return "refusing calls needs Linux on x86-64"

    def tried() -> int:
        refuse({"flock": errno.ENOLCK})
        return 0

    return "" if ended(forked(tried)) == 0 else "this system takes no filter of calls"


COMMAND = """\
import json, sys
sys.path.insert(0, sys.argv[1])
from tests.reliability.refusing import refuse
refuse(json.loads(sys.argv[2]))
from pipeline.__main__ import run
raise SystemExit(run(sys.argv[3:]))
"""
"""The command line in a process whose calls are refused."""
ROOT = Path(__file__).parents[2]


def command(calls: Mapping[str, int], *arguments: str | Path) -> list[str]:
    """How to run `wellread ARGUMENTS` where some calls are refused."""
    import json

    return [sys.executable, "-c", COMMAND, str(ROOT), json.dumps(dict(calls)), *map(str, arguments)]
