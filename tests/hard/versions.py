"""The same search with packages of other versions: same path, figures within 1e-4.

    pip install --target OTHER --no-deps 'numpy==2.3.*'
    python -m tests.hard.versions CUE.toml --site OTHER

Searches the cue with the packages that are installed and, in another process, with those of the
folder before them; each has a cache and compiled code of its own. Bounded by trials, one worker.
How many placements were tried is told and not compared: it may differ where all mixes are the same.

`differences`: what two results do not have in common. `main`: the program.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

FIGURES = 1e-4
"""Largest difference of two figures: of their size above 1, as it is below."""

HOW = "; ".join(
    [
        "import numba, numpy, sys",
        "print('numpy', numpy.__version__, 'numba', numba.__version__, flush=True)",
        "from placer.cli import main",
        "sys.exit(main(sys.argv[1:]))",
    ]
)
"""A search that says first what it runs on."""


def differences(one: Any, other: Any, where: str = "") -> Iterator[str]:
    """Name what two JSON values do not have in common, figures compared within `FIGURES`."""
    if isinstance(one, dict) and isinstance(other, dict) and one.keys() == other.keys():
        for key in one:
            yield from differences(one[key], other[key], f"{where}.{key}")
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for index, (first, second) in enumerate(zip(one, other, strict=True)):
            yield from differences(first, second, f"{where}[{index}]")
    elif isinstance(one, float) and isinstance(other, float):
        if abs(one - other) > FIGURES * max(1.0, abs(one)):
            yield f"{where.removeprefix('.')}: {one} and {other}"
    elif one != other:
        yield f"{where.removeprefix('.')}: {str(one)[:60]} and {str(other)[:60]}"


def searched(cue: Path, folder: Path, site: Path | None) -> dict[str, Any]:
    """Search with packages of a folder before the others; the result."""
    paths = [
        str(Path.cwd()),
        *([str(site.resolve())] if site else []),
        os.environ.get("PYTHONPATH", ""),
    ]
    environment = os.environ | {
        "PYTHONPATH": os.pathsep.join(paths),
        "PLACER_CACHE": str(folder / "cache"),
        "NUMBA_CACHE_DIR": str(folder / "compiled"),
    }
    command = [
        "search",
        str(cue.resolve()),
        "--trials",
        "1",
        "--seed",
        "3",
        "--out",
        str(folder / "run"),
    ]
    subprocess.run([sys.executable, "-c", HOW, *command], env=environment, check=True)
    found: dict[str, Any] = json.loads((folder / "run" / "result.json").read_text("utf-8"))
    return found


def main(cue: Path, site: Path) -> int:
    """Search twice and compare; 1 where anything differs."""
    with tempfile.TemporaryDirectory(prefix="placer-versions-") as name:
        one, other = (
            searched(cue, Path(name, kind), folder)
            for kind, folder in (("own", None), ("other", site))
        )
    tried = [result["search"].pop("evaluations") for result in (one, other)]
    for result in (one, other):
        result["search"]["history"] = [cost for _, cost in result["search"]["history"]]
    found = list(differences(one, other))
    for line in found[:20]:
        print(line)  # noqa: T201
    told = f"{len(found)} differences, {len(one['mixes'])} mixes; placements tried: {tried}"
    print(told)  # noqa: T201
    return int(bool(found))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="The same search with packages of other versions.")
    parser.add_argument("cue", type=Path)
    parser.add_argument("--site", type=Path, required=True, help="folder of other packages")
    given = parser.parse_args()
    sys.exit(main(given.cue, given.site))
