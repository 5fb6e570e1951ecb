"""What the source may not do, looked for in its syntax: run data as code, or hand words to a shell."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ROOTS = ("measure/ongrowth", "viewer_plugin/ongrowth_napari", "phantoms/ongrowth_phantoms")
SOURCES = sorted(path for root in ROOTS for path in (ROOT / root).rglob("*.py"))

MODULES = {"pickle", "cloudpickle", "dill", "joblib", "marshal", "shelve", "jsonpickle", "imp", "pty"}
CALLS = {"eval", "exec", "compile", "__import__", "breakpoint"}
ATTRIBUTES = {
    ("os", "system"), ("os", "popen"), ("os", "execv"), ("os", "spawnl"), ("subprocess", "getoutput"),
    ("subprocess", "getstatusoutput"), ("yaml", "load"), ("pd", "read_pickle"), ("pandas", "read_pickle"),
    ("tempfile", "mktemp"), ("zipfile", "extractall"), ("torch", "load"),
}  # fmt: skip
# Pickles that never hold anything read from a foreign file, each with its reason.
ALLOWED = {
    ("measure/ongrowth/cohort/ward.py", "pickle"): "tasks go from a run to its own child; replies are JSON",
    ("measure/ongrowth/cohort/ward.py", "cloudpickle"): "as above",
    ("phantoms/ongrowth_phantoms/grid/phantom.py", "pickle"): "cache of drawn phantoms a developer asks for",
}


def faults(path: Path) -> Iterator[str]:
    """What a module does that it may not."""
    name = path.relative_to(ROOT).as_posix()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        for what in _forbidden(node):
            if (name, what) not in ALLOWED:
                yield f"{name}:{node.lineno}: {what}"  # type: ignore[attr-defined]


def _forbidden(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names if alias.name.split(".")[0] in MODULES)
    if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] in MODULES:
        yield node.module or ""
    if not isinstance(node, ast.Call):
        return
    called = node.func
    if isinstance(called, ast.Name) and called.id in CALLS:
        yield called.id
    if isinstance(called, ast.Attribute) and isinstance(called.value, ast.Name):
        if (called.value.id, called.attr) in ATTRIBUTES:
            yield f"{called.value.id}.{called.attr}"
        if (
            called.value.id in ("np", "numpy")
            and called.attr == "load"
            and not _is_false(node, "allow_pickle")
        ):
            yield "np.load with pickles"
        words = node.args[0] if node.args else None
        if called.value.id == "subprocess" and isinstance(words, ast.Constant | ast.JoinedStr | ast.BinOp):
            yield "subprocess with one text"
    if any(k.arg == "shell" and not _is_false(node, "shell") for k in node.keywords):
        yield "shell"


def _is_false(call: ast.Call, name: str) -> bool:
    values = [k.value for k in call.keywords if k.arg == name]
    return bool(values) and isinstance(values[0], ast.Constant) and values[0].value is False


def test_no_pickle_no_eval_no_shell() -> None:
    assert len(SOURCES) > 200
    assert [fault for path in SOURCES for fault in faults(path)] == []


def test_what_is_allowed_is_still_there() -> None:
    """An exception that is no longer needed goes."""
    for name, module in ALLOWED:
        assert f"import {module}" in (ROOT / name).read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "text",
    [
        "import pickle", "from cloudpickle import loads", "eval('1')", "import os\nos.system('x')",
        "import subprocess\nsubprocess.run('ls')", "import subprocess\nsubprocess.run(['ls'], shell=True)",
        "import numpy as np\nnp.load('x')", "import numpy as np\nnp.load('x', allow_pickle=True)",
    ],
)  # fmt: skip
def test_the_look_finds_what_it_looks_for(text: str) -> None:
    assert [what for node in ast.walk(ast.parse(text)) for what in _forbidden(node)]


def test_templates_escape_what_the_data_hold() -> None:
    """Every Jinja environment escapes; what is marked as safe is ours."""
    made = [
        node
        for path in SOURCES
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith("Environment")
    ]
    assert made
    assert all(any(k.arg == "autoescape" for k in call.keywords) for call in made)
