"""How files are opened where a link, a device or a text mode must not come in between."""

from __future__ import annotations

import os

READ = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
"""To read a file of a bag: no link is followed, and a pipe in its place makes nobody wait."""
NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
"""To write a file that must not be there yet."""
