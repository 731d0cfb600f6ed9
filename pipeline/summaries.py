"""The commands in the help, each with its whole first paragraph: a summary that is cut says nothing."""

from __future__ import annotations

from typing import Any

from typer.core import TyperGroup


class WholeSummaries(TyperGroup):
    """A group of commands whose summaries are laid into the width, never cut with dots."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write each command and what it does; Typer's own way cuts to one line."""
        commands = ((name, self.get_command(ctx, name)) for name in self.list_commands(ctx))
        rows = [
            (name, _summary(one.help or "")) for name, one in commands if one is not None and not one.hidden
        ]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


def _summary(told: str) -> str:
    """The first paragraph of a help text, on one line."""
    return " ".join(told.strip().split("\n\n")[0].split())
