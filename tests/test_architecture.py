"""The house style, executable: floors, fences, cycles and docstrings."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
SOURCES = sorted((*ROOT.glob("sim/**/*.py"), *ROOT.glob("placer/**/*.py")))
FLOORS = (
    "sim", "placer.errors", "placer.clock", "placer.arguments", "placer.progress",
    "placer.night_log", "placer.version", "placer.cache_folder", "placer.compiler",
    "placer.precision",
    "placer.cue", "placer.audio", "placer.placement",
    "placer.cost",
    "placer.search", "placer.run", "placer.result", "placer.terminal", "placer.check",
    "placer.pipeline", "placer.night", "placer.cli",
)  # fmt: skip
"""Lowest first: a module imports from its own floor or lower ones."""

NEIGHBOURS = {("placer.audio", "placer.cue"), ("placer.cue", "placer.audio")}
"""Floors that may look at one another: a draft of a cue file listens to stems."""

FENCES = {
    "pyroomacoustics": {"sim/images.py"},
    "optuna": {"placer/search/study.py", "placer/search/storage.py"},
    "soundfile": {"placer/audio/files.py"},
    "wavinfo": {"placer/result/export/start.py"},
    "aaf2": {"placer/result/export/session.py"},
    "sofar": {"placer/result/export/sofa.py"},
}


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def floor(name: str) -> int:
    matches = [i for i, low in enumerate(FLOORS) if name == low or name.startswith(low + ".")]
    assert matches, f"{name} stands on no floor; add it to FLOORS"
    return matches[0]


def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imports(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
    return names


def named(node: ast.Module | ast.ClassDef) -> list[ast.FunctionDef | ast.ClassDef]:
    """Functions and classes of a module, and those of its classes, that others can reach."""
    own = [n for n in node.body if isinstance(n, ast.FunctionDef | ast.ClassDef)]
    inner = [m for n in own if isinstance(n, ast.ClassDef) for m in named(n)]
    return [*own, *inner]


@pytest.mark.parametrize("path", SOURCES, ids=module_name)
def test_floors(path: Path) -> None:
    """A module imports only from its own floor or lower ones, and sim never from placer."""
    own = module_name(path)
    for name in imports(path):
        if name.split(".")[0] not in {"sim", "placer"} or name == "placer":
            continue
        pair = (FLOORS[floor(own)], FLOORS[floor(name)])
        assert floor(name) <= floor(own) or pair in NEIGHBOURS, f"{own} imports {name}"


@pytest.mark.parametrize("path", SOURCES, ids=module_name)
def test_fences(path: Path) -> None:
    """Each fenced package is imported in its own files only."""
    place = str(path.relative_to(ROOT))
    for package, allowed in FENCES.items():
        used = any(name.split(".")[0] == package for name in imports(path))
        assert not used or place in allowed, f"{place} imports {package}"


def test_compiled_functions_see_their_own_folder_only() -> None:
    """What is kept of a compiled function is known by the sources of its folder and no others."""
    marks = re.compile(r"^@(jit|part|inlined|formula)$", re.MULTILINE)
    compiled = [path for path in SOURCES if marks.search(path.read_text(encoding="utf-8"))]
    assert len(compiled) > 5
    types = {"placer.compiler", "sim.decibel"}
    for path in compiled:
        own, names = module_name(path).rpartition(".")[0], imports(path) - types
        beside = [name for name in names if name.startswith(("placer", "sim"))]
        assert all(name.startswith(own + ".") for name in beside), (path, beside)


@pytest.mark.parametrize("path", SOURCES, ids=module_name)
def test_documented(path: Path) -> None:
    """Every module says which question it answers, every public name what it gives.

    A function inside a function is no public name: nobody can call it from elsewhere.
    """
    module = tree(path)
    assert ast.get_docstring(module), path
    public = [node for node in named(module) if not node.name.startswith("_")]
    assert not [node.name for node in public if not ast.get_docstring(node)]


def test_no_import_cycle() -> None:
    """No module imports itself, however far round."""
    names = {module_name(path): path for path in SOURCES}
    edges = {name: imports(path) & names.keys() for name, path in names.items()}
    done: set[str] = set()

    def visit(name: str, path: tuple[str, ...]) -> None:
        assert name not in path, " -> ".join((*path, name))
        if name not in done:
            for lower in edges[name]:
                visit(lower, (*path, name))
            done.add(name)

    for name in names:
        visit(name, ())
