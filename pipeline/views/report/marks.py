"""The marks of the grades: round where evidence stands behind the bytes, angular where a person is needed.

Shape, word and colour always come together; each mark is told from the others in black and white. The
drawings are our own.
"""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

SHAPES = {
    "self-checked": '<circle cx="8" cy="8" r="7.4"/><path class="cut" d="M4.4 8.3l2.6 2.6 4.7-5.2"/>',
    "corroborated": '<circle cx="4.1" cy="8" r="3.8"/><circle cx="11.9" cy="8" r="3.8"/>',
    "repeatable": '<circle cx="8" cy="8" r="5.6"/>',
    "single": '<circle class="open" cx="8" cy="8" r="5.4"/>',
    "contested": '<path class="open" d="M8 1.2L14.8 8 8 14.8 1.2 8z"/><path d="M8 1.2v13.6L1.2 8z"/>',
    "faulty": '<path d="M1.5 1.5h13v13h-13z"/><path class="cut" d="M4.6 4.6l6.8 6.8M11.4 4.6l-6.8 6.8"/>',
    "missing": '<path class="open dashed" d="M2 2h12v12H2z"/>',
}
MEANINGS = {
    "self-checked": "a check inside the chip holds, beyond chance",
    "corroborated": "two or more readers agree",
    "repeatable": "one reader, two or more passes agree",
    "single": "one pass of one reader",
    "contested": "some bits are unresolved",
    "faulty": "the image carries a reading fault",
    "missing": "no usable reading",
}


def defined() -> Markup:
    """All marks once, for `<use>` further down the page."""
    symbols = "".join(
        f'<symbol id="m-{grade}" viewBox="0 0 16 16">{shape}</symbol>' for grade, shape in SHAPES.items()
    )
    return Markup(f'<svg class="defs" aria-hidden="true" width="0" height="0">{symbols}</svg>')  # noqa: S704 - constants


def drawn() -> dict[str, Markup]:
    """Each mark on its own, for a page that needs only one."""
    return {
        grade: Markup(f'<svg class="m g-{grade}" viewBox="0 0 16 16" aria-hidden="true">{shape}</svg>')  # noqa: S704 - constants
        for grade, shape in SHAPES.items()
    }


_COLOURS = {
    "self-checked": ("17507c", "8fc4ea"),
    "corroborated": ("17507c", "8fc4ea"),
    "repeatable": ("2f6f93", "86b9d6"),
    "single": ("3f6f80", "9dbcc8"),
    "contested": ("8a4b00", "f0b04c"),
    "faulty": ("9d2a17", "ff9b86"),
    "missing": ("5d574d", "b6ae9f"),
}
"""Light and dark, as chip.css has them: a picture inside a style knows no variable; a test compares both."""
_PAPER = ("fbfaf6", "181715")


def pictured(*selectors: str) -> str:
    """Rules that show each mark as a background: many rows of marks cost no element.

    Args:
        selectors: Where a mark stands, `%` for the grade's class.
    """
    light = "".join(_rule(selectors, grade, 0) for grade in SHAPES)
    dark = "".join(_rule(selectors, grade, 1) for grade in SHAPES)
    return f"{light}@media screen and (prefers-color-scheme:dark){{{dark}}}"


def _rule(selectors: Sequence[str], grade: str, scheme: int) -> str:
    ink, paper = f"%23{_COLOURS[grade][scheme]}", f"%23{_PAPER[scheme]}"
    shape = (
        SHAPES[grade]
        .replace('class="cut"', f'fill="none" stroke="{paper}" stroke-width="1.9"')
        .replace(
            'class="open dashed"', f'fill="none" stroke="{ink}" stroke-width="1.9" stroke-dasharray="3 2.2"'
        )
        .replace('class="open"', f'fill="none" stroke="{ink}" stroke-width="1.9"')
        .replace('"', "'")
    )
    picture = f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 16 16' fill='{ink}'>{shape}</svg>"
    where = ",".join(one.replace("%", f".g-{grade}") for one in selectors)
    return f'{where}{{background-image:url("data:image/svg+xml,{picture}")}}'
