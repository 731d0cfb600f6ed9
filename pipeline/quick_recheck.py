"""`recheck` of plain paths without the command line's machinery, which takes longer than the check.

Starting the full command line costs a quarter of a second; a bag of ten thousand files takes as long. Shelves
are checked by the hundred from scripts, so the plain forms `recheck [--json] [--quiet] BAG...` go straight to
the work. Whatever else is on the line, help and mistakes too, is left to the full command line; the result is
the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

_FLAGS = frozenset({"--json", "--quiet", "-q"})


def quick_recheck(arguments: Sequence[str]) -> int | None:
    """Run `recheck` if the line has one of its plain forms.

    Args:
        arguments: Without the program's name.

    Returns:
        The exit code; None where the full command line is needed.

    Raises:
        WellreadError: As the command does.
    """
    if not arguments or arguments[0] != "recheck":
        return None
    flags = {each for each in arguments[1:] if each.startswith("-")}
    bags = [Path(each) for each in arguments[1:] if not each.startswith("-")]
    if not bags or not flags <= _FLAGS:
        return None
    from pipeline.edges.console import say, say_json
    from pipeline.edges.progress import begin
    from pipeline.exit_codes import exit_code

    as_json, quiet = "--json" in flags, bool(flags & {"--quiet", "-q"})
    begin("Looking at the files", quiet=quiet or as_json)
    from pipeline.run.keep.documents import recheck

    result = recheck(bags, ledger=None, due_days=None, expect_head="", quiet=quiet or as_json)
    if as_json:
        say_json(result.document)
    elif result.text and not quiet:
        say(result.text)
    return exit_code(result.document)
