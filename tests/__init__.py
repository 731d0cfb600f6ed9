"""What holds the program to its promises: tests, and the runs that measure."""

import os

os.environ["WELLREAD_CACHE"] = "off"
"""Nothing of one test or run reaches another, or the user's own folder; tests of what is kept set one."""
