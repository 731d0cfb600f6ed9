"""Text from the sheet typed by the schema, every mistake with its place and the nearest valid value."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from pipeline.flow import Problem
from pipeline.stages.sheet.lined import LinedDict, LinedList
from pipeline.stages.sheet.suggest import in_quotes, iso_dates, with_decimal_point
from schemas.meant import one_meant

M = TypeVar("M", bound=BaseModel)


def shown(value: object) -> str:
    """A value as a person may safely see it: printable, short, in quotes."""
    if value is None:
        return "nothing"
    if isinstance(value, dict):
        return "a group of fields"
    if isinstance(value, list | tuple):
        return "a list"
    text = str(value)
    text = repr(text) if text.isprintable() else ascii(text)
    return text if len(text) <= 80 else text[:77] + "...'"


def place(tree: Any, loc: Sequence[Any], file: str) -> tuple[str, Any]:
    """The place and the value that a path of keys and indices leads to, as far as it exists."""
    where, value = f"{file}:1", tree
    if isinstance(tree, LinedDict):
        where = f"{tree.file}:{tree.line}"
    for key in loc:
        if isinstance(value, LinedDict):
            if key in value.lines:
                where = value.place(key)
            if key not in value:
                return where, None
            value = value[key]
        elif isinstance(value, LinedList) and isinstance(key, int) and key < len(value):
            inner = value[key]
            if isinstance(inner, LinedDict):
                where = f"{inner.file}:{inner.line}"
            elif key < len(value.lines):
                where = f"{file}:{value.lines[key]}"
            value = inner
        elif isinstance(value, list) and isinstance(key, int) and key < len(value):
            value = value[key]
        else:
            break
    return where, value


def field_text(prefix: str, loc: Sequence[Any]) -> str:
    """A field's path as a person writes it: `chips[3].part`."""
    text = prefix
    for key in loc:
        text += f"[{key + 1}]" if isinstance(key, int) else f".{key}" if text else str(key)
    return text


def type_one(
    model: type[M],
    tree: Any,
    prefix: str,
    file: str,
    problems: list[Problem],
    *,
    line: int = 1,
    stands_in: Mapping[str, str] | None = None,
) -> M | None:
    """One model from one mapping; mistakes are appended to `problems` and give None.

    Args:
        model: The schema's class.
        tree: The mapping, or whatever stands in its place.
        prefix: The field's path, for messages.
        file: The sheet's name.
        problems: Where mistakes gather.
        line: Where the field stands, for what is no mapping.
        stands_in: Field → what is put in its place where it is mistaken and the rest cannot do without.
    """
    if not isinstance(tree, dict):
        where = f"{file}:{line}"
        problems.append(Problem(where, prefix, shown(tree), "a group of fields"))
        return None
    problems.extend(swallowed(tree, model, prefix))
    try:
        return model.model_validate(tree)
    except ValidationError as error:
        details = error.errors()
        problems.extend(_problem(model, tree, prefix, file, detail) for detail in details)
        return _rest(model, tree, {detail["loc"][0] for detail in details if detail["loc"]}, stands_in or {})


def _rest(model: type[M], tree: Any, bad: set[Any], stands_in: Mapping[str, str]) -> M | None:
    """The model without the mistaken fields, so that what is wrong elsewhere is seen in the same run."""
    left = {key: value for key, value in tree.items() if key not in bad}
    left |= {key: value for key, value in stands_in.items() if key in bad}
    try:
        return model.model_validate(left) if bad else None
    except ValidationError:
        return None


def swallowed(tree: Any, model: Any, prefix: str) -> list[Problem]:
    """What YAML would let go without a word.

    Values cut at a comma or a `#`, and unknown fields without a value.

    Args:
        tree: A mapping or list of the sheet, with everything below it.
        model: The class that its fields belong to; None where they are not known, or are names of the
            person's own.
        prefix: Its path, for messages.
    """
    if isinstance(tree, list):
        return [
            one
            for k, item in enumerate(tree)
            if isinstance(item, dict | list)
            for one in swallowed(item, model, f"{prefix}[{k + 1}]")
        ]
    if not isinstance(tree, LinedDict):
        return []
    found = _cut(tree, prefix) if tree.cut or tree.hashed else []
    fields = getattr(model, "model_fields", None)
    if len(tree.lines) != len(tree):
        found += _empty(tree, fields, prefix)
    for key, value in tree.items():
        if isinstance(value, LinedDict | LinedList):
            inner = _inner_model(fields[key].annotation) if fields and key in fields else None
            found += swallowed(value, inner, f"{prefix}.{key}")
    return found


def _cut(tree: LinedDict, prefix: str) -> list[Problem]:
    """Values that end at their comma, or before a `#`."""
    found = []
    for field, line, rest in tree.cut:
        pieces = [str(tree[field]), *rest]
        found.append(
            Problem(
                f"{tree.file}:{line}",
                f"{prefix}.{field}",
                f"{shown(tree[field])}, cut off at the comma before {shown(', '.join(rest))}",
                f"put the value in quotes: {in_quotes(field, pieces)[:120]}",
            )
        )
    for field, behind in tree.hashed.items():
        found.append(
            Problem(
                f"{tree.file}:{tree.lines.get(field, tree.line)}",
                f"{prefix}.{field}",
                f"{shown(tree.get(field))}, since {shown(behind)} begins a comment",
                f"the value in quotes if {shown(behind)} belongs to it, a space after the # if not",
                caution=True,
            )
        )
    return found


def _empty(tree: LinedDict, fields: Any, prefix: str) -> list[Problem]:
    """Fields without a value that no form knows; those that it knows are merely not said."""
    if fields is None:
        return []
    names = sorted(fields)
    return [
        Problem(
            f"{tree.file}:{line}",
            f"{prefix}.{key}",
            "a field that is not known, without a value",
            one_of(names, one_meant(key, names)),
            one_meant(key, names),
        )
        for key, line in tree.lines.items()
        if key not in tree and key not in fields
    ]


MOST_NAMED = 9
"""Names that a message lists; of more, somebody has them read aloud to the end."""


def one_of(names: Sequence[str], close: str, schema: str = "sheet") -> str:
    """The valid names as far as a message may list them.

    None where the nearest is told, else the first few.
    """
    if close:
        return "a field that the sheet knows"
    if len(names) <= MOST_NAMED:
        return f"one of {', '.join(names)}"
    return f"one of {', '.join(names[:MOST_NAMED])} … (`wellread schema {schema}` has all)"


def _model_at(model: Any, loc: Sequence[Any]) -> type[BaseModel] | None:
    """The model class that holds the last key of `loc`, found by walking annotations."""
    here: Any = model
    for key in loc[:-1]:
        if isinstance(key, int):
            continue
        fields = getattr(here, "model_fields", None)
        if fields is None or key not in fields:
            return None
        here = _inner_model(fields[key].annotation)
        if here is None:
            return None
    return here if isinstance(here, type) and issubclass(here, BaseModel) else None


def _inner_model(annotation: Any) -> Any:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _inner_model(inner)
        if found is not None:
            return found
    return None


def _problem(model: type[BaseModel], tree: Any, prefix: str, file: str, detail: Any) -> Problem:
    """A complaint of pydantic in our words: where, what was found, what is expected, what is nearest."""
    loc = detail["loc"]
    where, value = place(tree, loc, file)
    field = field_text(prefix, loc)
    kind, context = detail["type"], detail.get("ctx", {})
    if kind == "extra_forbidden":
        owner = _model_at(model, loc)
        names = sorted(owner.model_fields) if owner else []
        return Problem(
            where,
            field,
            "a field that is not known",
            one_of(names, one_meant(loc[-1], names)) if names else "no such field",
            one_meant(loc[-1], names),
        )
    if kind == "missing":
        owner = _model_at(model, loc)
        about = owner.model_fields[loc[-1]].description if owner and loc[-1] in owner.model_fields else None
        return Problem(where, field, "nothing", f"`{loc[-1]}: …`{f' ({about})' if about else ''}")
    if kind == "literal_error":
        valid = [text.strip("'") for text in context["expected"].replace(" or ", ", ").split(", ")]
        return Problem(where, field, shown(value), f"one of {', '.join(valid)}", one_meant(value, valid))
    if kind == "value_error":
        expected = str(context["error"])
        dates = iso_dates(value) if isinstance(value, str) and expected.startswith("a date") else ()
        return Problem(where, field.removesuffix(".[key]"), shown(value), expected, " or ".join(dates))
    if kind == "float_parsing" and isinstance(value, str) and with_decimal_point(value):
        point = with_decimal_point(value)
        return Problem(where, field, shown(value), "a number with a decimal point", point)
    expected = detail["msg"][0].lower() + detail["msg"][1:]
    for wordy in ("input should be ", "value should be ", "value should have "):
        expected = expected.removeprefix(wordy)
    if kind in ("bool_parsing", "bool_type"):
        expected = "yes or no"
    elif kind in ("tuple_type", "list_type"):
        expected = "a list"
    elif kind == "too_short":
        expected = "a list of at least one"
    elif kind in ("model_type", "dict_type"):
        expected = "a group of fields"
    return Problem(where, field, shown(value), expected)
