"""Permissions that bind even where the tests run as the superuser; Linux only."""

from __future__ import annotations

import ctypes
import struct

_SYS_CAPSET, _VERSION = 126, 0x20080522
"""On x86-64. Source: capset(2), linux/capability.h."""


def be_nobody_special() -> None:
    """From now on the permissions of files bind this process, whoever runs it; it cannot go back.

    Raises:
        OSError: The kernel does not know the call so.
    """
    header = ctypes.create_string_buffer(struct.pack("=Ii", _VERSION, 0))
    none_of_them = ctypes.create_string_buffer(24)
    if ctypes.CDLL(None, use_errno=True).syscall(_SYS_CAPSET, header, none_of_them) != 0:
        raise OSError(ctypes.get_errno(), "capset")
