"""Do the tests notice a changed formula? Random mutants of `sim` and `placer.cost`, run by hand.

    python -m tests.hard.mutations --count 200 --seed 1     a sample of both packages
    python -m tests.hard.mutations --count 40 sim/air.py    a sample of some files

The mutants are those of cosmic-ray. As many are drawn of a file as it has a share of all, and
`LEAST` at least. Each is tried in a copy of the tree, so the work under way is not touched. First
the tests of the file run, of `placer.cost` without the compiler: a changed file of that folder has
the whole folder compiled anew, more than a minute. What no test notices then meets `LAST`, the
tests of its package, compiled. A test that runs out of time or memory has noticed as well. Before
that, all these tests must pass on the tree as it is.

Left out are mutants that cannot change what a run gives:

- type hints (never evaluated; ranges that msgspec reads of them are mutated), docstrings;
- decorators: how a function is compiled or kept in memory, whether a record can be changed later;
- whether an argument is given by name;

and those of `USELESS`, which any test at all would notice, or which come twice:

- bit operators in place of arithmetic: not defined for floating-point numbers;
- `is` in place of a comparison of values; `+x` in place of `-x`, which is `x` again.

Of those that survive, some are the same program after all: a guard against zero (`LEAST`, `TINY`)
turned around, `>=` for `>` at a tolerance, a search a little wider than what is kept of it, more
threads, an array that could be written to. All others want a test.

Prints survivors and the counts of each file as Markdown; 1 if less than `WANTED` are killed.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

from cosmic_ray import plugins
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code

TREE = Path(__file__).resolve().parents[2]
LEFT_OUT = shutil.ignore_patterns(".git", "__pycache__", "*.wav", ".venv", "*_cache")
PACKAGES = ("sim", "placer/cost")
WANTED, LEAST = 0.9, 2
"""Share killed; mutants of a file."""
PATIENCE, MEMORY = 600.0, 8 << 30
"""Seconds that a run of tests may take, bytes that it may hold."""
USELESS = re.compile(
    r"_(Add|Sub|Mul|Div|FloorDiv|Mod|Pow)_(RShift|LShift|Bit\w+)$"
    r"|_(Eq|NotEq|Lt|LtE|Gt|GtE)_Is(Not)?$|_USub_(UAdd|Invert)$"
)


class Run(NamedTuple):
    """Test files in the order in which they are run, with the compiler or without."""

    tests: tuple[str, ...]
    compiled: bool = True


class Mutant(NamedTuple):
    """A source file, a line of it (from 1), and the whole text that it becomes."""

    file: str
    line: int
    text: str


OWN = {
    "sim/decibel.py": "bands filters", "sim/directivity.py": "source",
    "placer/cost/attacks.py": "attacks", "placer/cost/audibility.py": "audibility",
    "placer/cost/binaural.py": "formulas audibility", "placer/cost/compiled.py": "kernel",
    "placer/cost/fast.py": "kernel", "placer/cost/formulas.py": "formulas terms audibility",
    "placer/cost/kernel.py": "kernel", "placer/cost/kernel_mix.py": "kernel",
    "placer/cost/kernel_moves.py": "formulas kernel", "placer/cost/kernel_screen.py": "kernel",
    "placer/cost/landscape.py": "kernel", "placer/cost/limits.py": "terms objective",
    "placer/cost/objective.py": "objective terms trade",
    "placer/cost/prepare.py": "prepare audibility",
    "placer/cost/scene.py": "prepare objective terms", "placer/cost/warm.py": "warm",
    "placer/cost/whole.py": "terms audibility",
}  # fmt: skip
"""Test files of a source file; of others that of the same name in `sim`, else the cost's terms."""
COST = "formulas kernel attacks audibility terms objective prepare trade"
LAST = {
    "sim": Run(("tests/sim", "tests/test_configs.py", "tests/placer/test_placement_positions.py")),
    "placer/cost": Run((
        *(f"tests/placer/test_cost_{name}.py" for name in COST.split()),
        "tests/placer/test_attacks.py", "tests/placer/test_attacks_more.py",
    )),
}  # fmt: skip
COMPILER = (
    "kernel.py::test_kernel_equals_the_plain_terms[",
    "kernel.py::test_threads_change_nothing_but_time",
    "kernel.py::test_effort_is_searched_by_and_reported_apart",
    "kernel.py::test_estimates_order_moves_as_their_full_costs_do",
    "kernel.py::test_states_in_any_order_of_memory_cost_the_same_and_compile_nothing",
    "warm.py::test_what_the_helper_compiles_is_found",
)
"""Tests that need the compiler, or take long without it."""


def runs(file: str) -> tuple[Run, Run]:
    """The tests of a source file, then those of its package."""
    package, name = str(Path(file).parent), Path(file).stem
    place, usual = ("sim/test_", name) if package == "sim" else ("placer/test_cost_", "terms")
    own = tuple(f"tests/{place}{one}.py" for one in OWN.get(file, usual).split())
    return Run(own, package == "sim"), LAST[package]


def meaning(text: str) -> str:
    """What a run can tell of a source; raises SyntaxError where there is none."""
    tree = ast.parse(text)
    for node in ast.walk(tree):
        for name in {"annotation", "returns"} & set(node._fields):
            hint = getattr(node, name)
            if hint and not any(isinstance(part, ast.Call) for part in ast.walk(hint)):
                setattr(node, name, ast.Constant(None))
        if hasattr(node, "decorator_list"):
            node.decorator_list = []
        if isinstance(node, ast.arguments):
            node.args, node.posonlyargs = [*node.posonlyargs, *node.args, *node.kwonlyargs], []
            node.kwonlyargs, node.kw_defaults = [], []
    return ast.dump(tree)


def places(file: str, rng: random.Random) -> list[tuple[Any, int]]:
    """Operators that change a file and at which of their occurrences, in any order."""
    nodes = list(ast_nodes(get_ast((TREE / file).read_text(encoding="utf-8"))))
    found = []
    for kind in (plugins.get_operator(name) for name in sorted(plugins.operator_names())):
        if not (kind.arguments() or USELESS.search(kind.__name__)):
            number = sum(1 for node in nodes for _ in kind().mutation_positions(node))
            found += [(kind(), occurrence) for occurrence in range(number)]
    rng.shuffle(found)
    return found


def mutants(file: str, changes: Sequence[tuple[Any, int]]) -> Iterator[Mutant]:
    """What a file becomes, where that can be run and is another program."""
    text = (TREE / file).read_text(encoding="utf-8")
    for operator, occurrence in changes:
        changed: str = mutate_code(text, operator, occurrence)
        try:
            same = meaning(changed) == meaning(text)
        except SyntaxError:
            continue
        if not same:
            lines = zip(text.splitlines(), changed.splitlines(), strict=False)
            number = next(n for n, (old, new) in enumerate(lines, 1) if old != new)
            yield Mutant(file, number, changed)


def drawn(files: Sequence[str], count: int, seed: int) -> list[Mutant]:
    """A sample of about so many."""
    rng = random.Random(seed)
    changes = {file: places(file, rng) for file in files}
    total = sum(len(some) for some in changes.values())
    found: list[Mutant] = []
    for file, some in changes.items():
        share = max(LEAST, round(count * len(some) / max(total, 1)))
        found += [one for _, one in zip(range(share), mutants(file, some), strict=False)]
    rng.shuffle(found)
    return found


def outcome(run: Run, tree: Path) -> str:
    """How tests end in a copy of the tree: "passed", "failed" or "out of time"."""
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--tb=no"]
    given = {"PYTHONPATH": f"{tree}:{os.environ.get('PYTHONPATH', '')}"}
    # else Python may run a kept mutant of the same size and second
    given |= {"PYTHONDONTWRITEBYTECODE": "1", "OPENBLAS_NUM_THREADS": "1"}
    if not run.compiled:
        given["NUMBA_DISABLE_JIT"] = "1"
        command += [f"--deselect=tests/placer/test_cost_{name}" for name in COMPILER]
        command += ["-W", "ignore::RuntimeWarning"]  # compiled code warns of nothing
    with tempfile.TemporaryDirectory(prefix="measured-") as measured:
        given["PLACER_CACHE"] = measured
        try:
            done = subprocess.run(
                [*command, *run.tests], cwd=tree, env=os.environ | given, capture_output=True,
                timeout=PATIENCE, check=False,
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            return "out of time"
    return "failed" if done.returncode else "passed"


def tried(mutant: Mutant, tree: Path) -> str:
    """How the first tests that notice a mutant end; "passed" if none does."""
    path = tree / mutant.file
    text = path.read_text(encoding="utf-8")
    path.write_text(mutant.text, encoding="utf-8")
    try:
        ends = (outcome(run, tree) for run in runs(mutant.file))
        return next((end for end in ends if end != "passed"), "passed")
    finally:
        path.write_text(text, encoding="utf-8")


def _say(line: str) -> None:
    print(line, flush=True)  # noqa: T201


def _row(mutant: Mutant) -> str:
    """Where, what stood there, and what stands there now."""
    texts = (TREE / mutant.file).read_text(encoding="utf-8"), mutant.text
    old, new = (text.splitlines()[mutant.line - 1].strip().replace("|", "\\|") for text in texts)
    return f"| {mutant.file}:{mutant.line} | `{old}` | `{new}` |"


def report(sample: Sequence[Mutant], ends: Iterator[str]) -> float:
    """Print survivors as they are found, and counts; the share that is killed."""
    _say("| survivor | line | becomes |\n| --- | --- | --- |")
    counts: dict[str, Counter[str]] = {}
    for mutant, end in zip(sample, ends, strict=True):
        for name in (mutant.file, f"all of {Path(mutant.file).parent}", "all"):
            counts.setdefault(name, Counter())[end] += 1
        if end == "passed":
            _say(_row(mutant))
    _say("\n| file | tried | killed | of these out of time |\n| --- | --- | --- | --- |")
    for name, of in sorted(counts.items()):
        _say(f"| {name} | {of.total()} | {of.total() - of['passed']} | {of['out of time']} |")
    return 1.0 - counts["all"]["passed"] / len(sample)


def main(words: Sequence[str]) -> int:
    """Try a sample; 1 if too few are killed, 2 if a test fails on the tree as it is."""
    paths = (path for package in PACKAGES for path in sorted((TREE / package).glob("[!_]*.py")))
    every = [str(path.relative_to(TREE)) for path in paths]
    parser = argparse.ArgumentParser(description="Do the tests notice a changed formula?")
    parser.add_argument("files", nargs="*", metavar="FILE", help="such as sim/air.py; else all")
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    order = parser.parse_args(words)
    if strange := sorted(set(order.files) - set(every)):
        parser.error(f"{', '.join(strange)}: no source file of {' or '.join(PACKAGES)}")
    begun, own = time.monotonic(), threading.local()
    sample = drawn(order.files or every, order.count, order.seed)
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    with tempfile.TemporaryDirectory(prefix="mutations-") as place:

        def copy() -> None:
            own.tree = shutil.copytree(
                TREE, Path(place, str(threading.get_ident())), ignore=LEFT_OUT
            )

        def each(do: Callable[[Any, Path], str], jobs: Sequence[Any]) -> Iterator[str]:
            return pool.map(lambda job: do(job, own.tree), jobs)

        with ThreadPoolExecutor(order.workers, initializer=copy) as pool:
            needed = sorted({run for mutant in sample for run in runs(mutant.file)})
            ends = zip(needed, each(outcome, needed), strict=True)
            if failing := [run for run, end in ends if end != "passed"]:
                _say(f"without a mutation already: {failing}")
                return 2
            share = report(sample, each(tried, sample))
    _say(f"\n{share:.1%} of {len(sample)} killed, in {time.monotonic() - begun:.0f} s")
    return 0 if share >= WANTED else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
