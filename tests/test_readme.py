"""What README and its neighbours promise: the example runs, commands and options exist, links lead on."""

from __future__ import annotations

import ast
import importlib
import inspect
import itertools
import re
import tomllib
from pathlib import Path

import click
import pytest

from ongrowth.cli import main
from ongrowth.wording import fixed_words
from ongrowth_phantoms.implants import HaloField
from ongrowth_phantoms.scanner import FastProtocol, scan_fast
from ongrowth_phantoms.scenes import Scene, pars_scene
from ongrowth_phantoms.series import write_dicom

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
EXAMPLES = [
    pytest.param(text, id=f"{page.name}-{k}")
    for page in PAGES
    for k, text in enumerate(re.findall(r"```python\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL))
]
LINK = re.compile(r"\]\((?!https?:|mailto:)([^)#]+)")
# in an indented block, in a fence of its own or between back-ticks; "ongrowth" alone is the package
COMMAND = re.compile(r"(?:^ {4,}(?:\.venv\S)?|`)(?:\S*[/\\])?ongrowth ((?!`)[a-z]+[^`#\n]*)", re.MULTILINE)
TRUE_WIDTH_MM = 0.7


def commands(text: str) -> list[list[str]]:
    """The words after `ongrowth` of every command named in a text."""
    return [found.split() for found in COMMAND.findall(text)]


@pytest.fixture
def small_phantom(tmp_path: Path) -> Scene:
    """A child-sized phantom in coarser voxels, where the example expects its CT."""
    scene = pars_scene(1, halo=HaloField("even", TRUE_WIDTH_MM), child=True, length_mm=30.0)
    protocol = FastProtocol(pixel_mm=0.4, slice_mm=0.8, slice_fwhm_mm=1.0, size_mm=(34.0, 40.0, 32.0))
    write_dicom(scan_fast(scene, protocol, seed=1), tmp_path / "phantom" / "w05", weeks=5.0)
    return scene


def test_the_library_example_runs(
    small_phantom: Scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    drawn = small_phantom.screws[0]
    example = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    assert len(example) == 1
    code, n = re.subn(
        r"major_diameter_mm=4\.0, root_diameter_mm=3\.0",
        f"major_diameter_mm={drawn.major_diameter_mm}, root_diameter_mm={drawn.root_diameter_mm}",
        example[0],
    )
    assert n == 1  # the child's screw is thinner than the one of the example
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    exec(compile(code, "README.md", "exec"), names)
    halo = names["halo"]
    for side in (halo.head_side, halo.tip_side):
        # four standard uncertainties: the phantom is one draw, and coarse on purpose
        assert side.mean_width.value == pytest.approx(TRUE_WIDTH_MM, abs=4.0 * side.mean_width.u)
        assert side.mean_width.u < 0.35
    printed = capsys.readouterr().out.splitlines()
    assert any(line.startswith("head_side mean_width as expected") for line in printed)
    assert any(line.startswith("tip_side mean_width") for line in printed)


@pytest.mark.parametrize("text", EXAMPLES)
def test_an_example_calls_what_there_is(text: str) -> None:
    """Names that it imports from us exist, and take the keywords that it gives them."""
    names: dict[str, object] = {}
    tree = ast.parse(text)
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("ongrowth"):
            module = importlib.import_module(str(node.module))
            names |= {alias.asname or alias.name: getattr(module, alias.name) for alias in node.names}
    for call in (node for node in ast.walk(tree) if isinstance(node, ast.Call)):
        called = _named(call.func, names)
        if callable(called):
            known = inspect.signature(called).parameters
            assert {word.arg for word in call.keywords} <= set(known), ast.unparse(call)


def _named(node: ast.expr, names: dict[str, object]) -> object:
    """What an expression such as ``findings.judge`` stands for, None if it is not ours."""
    if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in names:
        return getattr(names[node.value.id], node.attr)
    return names.get(node.id) if isinstance(node, ast.Name) else None


def test_the_example_of_agreement_runs(capsys: pytest.CaptureFixture[str]) -> None:
    page = (ROOT / "docs" / "agreement.md").read_text(encoding="utf-8")
    exec(compile(re.findall(r"```python\n(.*?)```", page, re.DOTALL)[0], "agreement.md", "exec"), {})
    repeatability, bias = (line.split()[0] for line in capsys.readouterr().out.splitlines())
    assert float(re.findall(r"[\d.]+", repeatability)[0]) > 0.0
    assert bias


def test_the_extras_named_are_those_there_are() -> None:
    made = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    table = README[README.index("| extra | for |") :].split("\n\n")[0]
    assert set(re.findall(r"^\| `(\w+)`", table, re.MULTILINE)) == set(made["optional-dependencies"])
    for page in (README, *(path.read_text(encoding="utf-8") for path in (ROOT / "docs").glob("*.md"))):
        for named in re.findall(r"extras? `(\w+)`(?: and `(\w+)`)?", page):
            assert {name for name in named if name} <= set(made["optional-dependencies"])


def command_of(name: str) -> click.Command | None:
    """A command of ours, or one that the project file gives to another package."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    guests = project["entry-points"]["ongrowth.commands"]
    if name not in guests:
        return main.get_command(click.Context(main), name)
    module, _, attribute = guests[name].partition(":")
    command = getattr(importlib.import_module(module), attribute)
    assert isinstance(command, click.Command)
    return command


def test_every_command_and_option_named_exists() -> None:
    named = list(itertools.chain.from_iterable(commands(page.read_text(encoding="utf-8")) for page in PAGES))
    assert {"check", "demo", "expect", "follow", "note", "selftest"} <= {words[0] for words in named}
    for name, *rest in named:
        command = command_of(name)
        assert command is not None, f"ongrowth {name} does not exist"
        known = {flag for parameter in command.params for flag in parameter.opts}
        unknown = [word for word in rest if word.startswith("--") and word not in known]
        assert not unknown, f"ongrowth {name} has no {unknown}"


def test_a_command_that_does_not_exist_is_found_out() -> None:
    text = "    .venv/bin/ongrowth nonsense --a 1\nor `ongrowth check X --b` of `ongrowth`, and ongrowth is"
    assert commands(text) == [["nonsense", "--a", "1"], ["check", "X", "--b"]]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_link_leads_to_a_file(page: Path) -> None:
    links = LINK.findall(page.read_text(encoding="utf-8"))
    assert [link for link in links if not (page.parent / link).exists()] == []


def test_the_index_names_every_page() -> None:
    listed = set(LINK.findall((ROOT / "docs" / "README.md").read_text(encoding="utf-8")))
    pages = {page.name for page in (ROOT / "docs").glob("*.md")} - {"README.md"}
    assert pages - listed == set()


def test_the_map_names_every_room() -> None:
    told = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    package = ROOT / "measure" / "ongrowth"
    rooms = {path.stem for path in package.glob("*.py")}
    rooms |= {path.parent.name for path in package.glob("*/__init__.py")}
    assert [room for room in sorted(rooms - {"__init__"}) if f"`{room}`" not in told] == []


def test_every_target_named_exists() -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    text = README + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"(?:^ {4}|`)make ([a-z]+)", text, re.MULTILINE))
    assert {"demo", "test", "check"} <= named
    assert [target for target in named if not re.search(rf"^{target}:", makefile, re.MULTILINE)] == []


def test_the_cautions_are_the_fixed_ones() -> None:
    for sentence in fixed_words().cautions[:3]:
        assert f"- {sentence}" in README
