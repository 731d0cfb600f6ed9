"""The templates' engine: whatever a template prints is made visible and escaped, in one call.

A page prints some hundred values, a report ten thousand pages: the two calls and the object that the engine
takes for each value by itself were a tenth of a page's time.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jinja2
from jinja2 import Environment, PackageLoader, StrictUndefined
from jinja2.compiler import CodeGenerator, Frame
from jinja2.nodes import Getattr, Name
from markupsafe import Markup, escape

from pipeline.views.report import marks, wording
from pipeline.views.report.compiled import Compiled

if TYPE_CHECKING:
    from collections.abc import Callable

    from jinja2 import Template

LONGEST_OPEN = 700
"""Characters of a text that is shown whole; of a longer one the beginning, and the rest in a fold."""
SHOWN_OF_LONG = 300


def _shown(value: Any) -> Any:
    """What an expression passes through that is printed as the engine would by itself.

    Acting characters become visible, None becomes nothing.
    """
    if type(value) is str:
        return value if value.isprintable() else wording.visible(value)
    return "" if value is None else value


def printed(value: Any) -> str:
    """A value as it stands in the page: acting characters visible, None nothing, all but markup escaped.

    Args:
        value: Whatever a template prints.

    Example:
        >>> printed("a < b"), printed(Markup("<b>")), printed(None), printed(7)
        ('a &lt; b', '<b>', '', '7')
    """
    kind = type(value)
    if kind is str:
        shown = value if value.isprintable() else wording.visible(value)
        # Asked for one by one, which is quicker than a pattern. Source: HTML Living Standard, section 13.1.2
        # (text and quoted attribute values); markupsafe's own five.
        if "&" in shown or "<" in shown or ">" in shown or '"' in shown or "'" in shown:
            return str(escape(shown))
        return shown
    if kind is Markup:
        return str.__str__(value)
    return str(value) if kind is int else str(escape(_shown(value)))


def long(text: str) -> Markup:
    """A text on a line of its own, one of more than `LONGEST_OPEN` characters in a fold."""
    whole = f"<bdi>{printed(text)}</bdi>"
    if len(text) > LONGEST_OPEN:
        begun = printed(text[:SHOWN_OF_LONG])
        whole = f"<details><summary><bdi>{begun}…</bdi></summary>{whole}</details>"
    return Markup(f"{whole}\n")  # noqa: S704 - escaped


class _FewCalls(CodeGenerator):
    """Writes `environment.printed(x)` where the engine writes `escape(environment.finalize(x))`.

    An engine that asked for other methods would fall back on its own, which prints the same.
    """

    def _output_child_pre(self, *_: object) -> None:
        self.write("environment.printed(")

    def _output_child_post(self, *_: object) -> None:
        self.write(")")

    def visit_Getattr(self, node: Getattr, frame: Frame) -> None:  # noqa: N802 - the engine's name
        """Looks a key of a plain dictionary up on the spot; all else goes the engine's way."""
        if not isinstance(node.node, Name):
            super().visit_Getattr(node, frame)
            return
        name = frame.symbols.ref(node.node.name)
        self.write(f"({name}[{node.attr!r}] if type({name}) is dict and {node.attr!r} in {name} else ")
        super().visit_Getattr(node, frame)
        self.write(")")


class _KeysFirst(Environment):
    """Looks a name up as a key first: nearly all that the templates see are plain dictionaries."""

    code_generator_class = _FewCalls
    printed = staticmethod(printed)

    def getattr(self, obj: Any, attribute: str) -> Any:
        if type(obj) is dict and attribute in obj:
            return obj[attribute]
        return super().getattr(obj, attribute)


def _compiled() -> Compiled | None:
    """Where compiled templates are kept; None where Python keeps no compiled modules either."""
    folder = __spec__.cached and Path(__spec__.cached).parent
    return Compiled(folder, jinja2.__version__.encode() + Path(__file__).read_bytes()) if folder else None


@cache
def _environment() -> Environment:
    found = _KeysFirst(
        loader=PackageLoader("pipeline.views.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
        finalize=_shown,
        bytecode_cache=_compiled(),
    )
    found.filters["short"] = wording.short
    found.filters["long"] = long
    found.globals["mark"] = marks.drawn()
    return found


@cache
def template(name: str) -> Template:
    """A template of the report, compiled once a process."""
    return _environment().get_template(name)


@cache
def macro(name: str, of_name: str) -> Callable[..., str]:
    """A macro of a template, called without what a whole template is given with each rendering.

    Args:
        name: Of the template.
        of_name: Of the macro.
    """
    found: Callable[..., str] = getattr(template(name).module, of_name)
    return found
