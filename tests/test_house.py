"""The house rules that a machine can check: sizes, and docstrings of public functions."""

from __future__ import annotations

import ast
import dataclasses
import functools
import importlib
import re
import statistics
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("measure/ongrowth", "phantoms/ongrowth_phantoms", "viewer_plugin/ongrowth_napari")
MOST_LINES = 600
MEDIAN_LINES, NINE_IN_TEN_LINES = 8, 30  # of a function without its docstring
Function = ast.FunctionDef | ast.AsyncFunctionDef


def modules(*folders: str) -> list[Path]:
    return sorted(path for folder in folders for path in (ROOT / folder).rglob("*.py"))


@functools.cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def length(function: Function) -> int:
    """Lines of a function without its docstring."""
    lines = (function.end_lineno or 0) - function.lineno + 1
    if ast.get_docstring(function) is None:
        return lines
    return lines - ((function.body[0].end_lineno or 0) - function.body[0].lineno + 1)


def test_no_module_is_longer_than_can_be_read_at_once() -> None:
    lines = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in modules(*PACKAGES, "tests")}
    assert {path.name: n for path, n in lines.items() if n > MOST_LINES} == {}


def test_functions_are_short() -> None:
    lengths = [
        length(node)
        for path in modules(*PACKAGES)
        for node in ast.walk(tree(path))
        if isinstance(node, Function)
    ]
    assert statistics.median(lengths) <= MEDIAN_LINES
    assert statistics.quantiles(lengths, n=10)[-1] <= NINE_IN_TEN_LINES


def listed(module: ast.Module) -> set[str]:
    """The names in ``__all__``."""
    for node in module.body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return set(ast.literal_eval(node.value))
    return set()


def file_of(module: str) -> Path:
    """Return the file of one of our modules by its dotted name."""
    package, *rest = module.split(".")
    folder = next(ROOT / root for root in PACKAGES if root.endswith(f"/{package}")).joinpath(*rest)
    return folder / "__init__.py" if folder.is_dir() else folder.with_suffix(".py")


def public_functions() -> Iterator[tuple[str, Function]]:
    """Functions that a package lists as its own, where they are defined."""
    for path in modules(*PACKAGES):
        module = tree(path)
        names = listed(module)
        yield from defined(path, names)
        for node in module.body:
            if isinstance(node, ast.ImportFrom) and str(node.module).split(".")[0].startswith("ongrowth"):
                taken = {alias.name for alias in node.names if alias.name in names}
                yield from defined(file_of(str(node.module)), taken)


def defined(path: Path, names: set[str]) -> Iterator[tuple[str, Function]]:
    for node in tree(path).body if names else ():
        if isinstance(node, Function) and node.name in names:
            yield f"{path.relative_to(ROOT)}:{node.name}", node


PUBLIC = dict(public_functions())


@pytest.mark.parametrize("name", PUBLIC)
def test_public_functions_tell_their_parameters_and_refusals(name: str) -> None:
    function = PUBLIC[name]
    text = ast.get_docstring(function) or ""
    every = (*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs)
    wanted = [argument.arg for argument in every if not argument.arg.startswith("_")]
    told = told_parameters(text)
    assert text, "no docstring"
    assert [word for word in told if word in wanted] == wanted
    raises = any(isinstance(node, ast.Raise) and node.exc is not None for node in ast.walk(function))
    assert not raises or "Raises\n------" in text


def exported() -> Iterator[type]:
    """Data classes that a package of the library gives out."""
    for path in modules("measure/ongrowth"):
        if path.name == "__init__.py":
            name = ".".join(path.parent.relative_to(ROOT / "measure").parts)
            module = importlib.import_module(name)
            members = (getattr(module, word) for word in getattr(module, "__all__", ()))
            yield from (m for m in members if isinstance(m, type) and dataclasses.is_dataclass(m))


def test_data_classes_that_are_given_out_lock_their_arrays() -> None:
    holding = {
        one for one in exported() if any("Array" in str(field.type) for field in dataclasses.fields(one))
    }
    assert len(holding) > 15
    assert {one.__qualname__ for one in holding if not hasattr(one, "__post_init__")} == set()


def takes(what: ast.ClassDef | Function) -> set[str]:
    """Names of the arguments of a function, or of the fields or ``__init__`` of a class, private ones not."""
    inside = what.body if isinstance(what, ast.ClassDef) else [what]
    start = next((f for f in inside if isinstance(f, Function) and (f is what or f.name == "__init__")), None)
    names = (one.target for one in inside if isinstance(one, ast.AnnAssign))
    fields = {name.id for name in names if isinstance(name, ast.Name)}
    if start is not None:
        given, more = start.args, (start.args.vararg, start.args.kwarg)
        every = (*given.posonlyargs, *given.args, *given.kwonlyargs, *(one for one in more if one))
        fields = {one.arg for one in every} - {"self", "cls"}
    return {name for name in fields if not name.startswith("_")}


def told_parameters(text: str) -> list[str]:
    """Names that stand in the section "Parameters" of a docstring; in their order."""
    section = re.search(r"^Parameters\n-+\n(.*?)(?=^\S+\n-+$|\Z)", text, re.DOTALL | re.MULTILINE)
    heads = re.findall(r"^\*{0,2}(\w.*)$", section[1], re.MULTILINE) if section else []
    return [word for head in heads for word in re.split(r",\s*", head.split(" : ")[0])]


def test_parameters_of_a_docstring_are_those_of_the_code() -> None:
    wrong, n = {}, 0
    for path in modules(*PACKAGES):
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.ClassDef | Function):
                told = set(told_parameters(ast.get_docstring(node) or ""))
                n += bool(told)
                if told and told != takes(node):
                    wrong[f"{path.name}:{node.name}"] = told ^ takes(node)
    assert wrong == {}
    assert n > 400


def test_there_are_public_functions_to_look_at() -> None:
    assert len(PUBLIC) > 150
