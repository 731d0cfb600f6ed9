"""The changes to one module, as mutmut makes them, and how one is put into the running program."""

from __future__ import annotations

import difflib
import importlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import FunctionType

import libcst as cst
from libcst.metadata import CodeRange, MetadataWrapper, ParentNodeProvider, PositionProvider
from mutmut.mutation.file_mutation import MutationVisitor
from mutmut.mutation.mutators import mutation_operators
from mutmut.mutation.pragma_handling import IgnoredCode

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Change:
    """One change of one function.

    Attributes:
        name: File, function and number of the change in the file; the same from run to run.
        file: Of the project, such as `pipeline/stages/grade.py`.
        function: Its name in the module, with its class before a dot.
        lines: Those of the statement that is changed; a test that reaches none of them cannot notice.
        before: The function's text.
        after: The same, changed.
    """

    name: str
    file: str
    function: str
    lines: range
    before: str
    after: str

    def difference(self) -> str:
        """The change as a unified difference without its head."""
        lines = difflib.unified_diff(self.before.splitlines(), self.after.splitlines(), lineterm="", n=2)
        return "\n".join([*lines][3:])


def changes_of(file: str) -> list[Change]:
    """Every change that mutmut makes in a module, in its order, but for those that are no Python.

    mutmut makes none in decorated functions and outside of functions.
    """
    wrapper = MetadataWrapper(cst.parse_module((ROOT / file).read_text("utf-8")))
    visitor = MutationVisitor(mutation_operators, IgnoredCode(set(), set(), set()))
    wrapper.visit(visitor)
    places = wrapper.resolve(PositionProvider)
    parents = wrapper.resolve(ParentNodeProvider)
    names = dict(_functions(wrapper.module))
    out: list[Change] = []
    for mutation in visitor.mutations:
        function = mutation.contained_by_top_level_function
        if not isinstance(function, cst.FunctionDef) or function not in names:
            continue
        before = _text(function, names[function])
        changed = function.deep_replace(mutation.original_node, mutation.mutated_node)
        after = _text(cst.ensure_type(changed, cst.FunctionDef), names[function])
        if after != before and _is_python(after):
            lines = _statement_lines(mutation.original_node, parents, places)
            name = f"{file}:{names[function]}:{len(out) + 1}"
            out.append(Change(name, file, names[function], lines, before, after))
    return out


def put_in(change: Change) -> None:
    """The changed function takes the place of the loaded one, wherever that one is already held."""
    module = importlib.import_module(_module_name(change.file))
    names = dict(vars(module))
    exec(compile(change.after, change.file, "exec"), names)
    old, new = _found(vars(module), change.function), _found(names, change.function)
    old.__code__, old.__defaults__, old.__kwdefaults__ = new.__code__, new.__defaults__, new.__kwdefaults__


def _module_name(file: str) -> str:
    return file.removesuffix(".py").replace("/", ".").removesuffix(".__init__")


def _found(names: Mapping[str, object], dotted: str) -> FunctionType:
    holder, _, name = dotted.rpartition(".")
    found = vars(names[holder])[name] if holder else names[name]
    function = getattr(found, "__func__", found)
    if not isinstance(function, FunctionType):
        raise TypeError(f"{dotted} is no function")
    return function


def _functions(module: cst.Module) -> Iterator[tuple[cst.FunctionDef, str]]:
    for outer in module.body:
        if isinstance(outer, cst.FunctionDef):
            yield outer, outer.name.value
        elif isinstance(outer, cst.ClassDef):
            for inner in outer.body.body:
                if isinstance(inner, cst.FunctionDef):
                    yield inner, f"{outer.name.value}.{inner.name.value}"


def _text(function: cst.FunctionDef, dotted: str) -> str:
    """A module that holds the function alone, in a class of its class's name if it is a method."""
    holder = dotted.rpartition(".")[0]
    body = cst.IndentedBlock([function])
    alone = cst.ClassDef(cst.Name(holder), body) if holder else function
    code: str = cst.Module([alone]).code
    return f"from __future__ import annotations\n{code}"


def _is_python(text: str) -> bool:
    try:
        compile(text, "changed", "exec", dont_inherit=True)
    except SyntaxError:
        return False
    return True


def _statement_lines(
    node: cst.CSTNode, parents: Mapping[cst.CSTNode, cst.CSTNode], places: Mapping[cst.CSTNode, CodeRange]
) -> range:
    """The lines of the statement that a node belongs to.

    Of a compound one they are those before its body; of a function, whose defaults are worked out before any
    test runs, all.
    """
    while not isinstance(node, cst.BaseSmallStatement | cst.BaseCompoundStatement):
        node = parents[node]
    place = places[node]
    body = None if isinstance(node, cst.FunctionDef) else getattr(node, "body", None)
    last = place.end.line if body is None else max(place.start.line, places[body].start.line - 1)
    return range(place.start.line, last + 1)
