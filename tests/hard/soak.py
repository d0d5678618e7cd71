"""Search, render, listen and export again and again in one process: nothing may grow.

    python -m tests.hard.soak CUE.toml --minutes 15

Each round searches the cue for some seconds into a folder that the round before is deleted from,
renders one mix again, asks the listening page for everything that a browser asks for, and exports.
After each round: memory in use, open handles, threads, and the size of the cache. The first rounds
fill what is kept on purpose (compiled loops, the cache, the bound of measured sound); growth is
counted from the middle of the run.

`main`: the program; 1 where handles or threads grew, or memory by more than `GROWTH`. The cache,
which has a bound of its own, is shown.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import io
import os
import re
import shutil
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from pathlib import Path

from placer.cli import main as placer
from placer.result.listen import ListenServer

GROWTH = 0.01
"""Share by which memory may grow in the second half of the run."""

SHORTEST_ROUNDS = 4
"""Rounds below which growth cannot be told."""


def memory() -> float:
    """Resident memory of this process, MB."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def handles() -> int:
    """Open files, sockets and pipes of this process."""
    return len(list(Path("/proc/self/fd").iterdir()))


def size_of(folder: Path) -> float:
    """Bytes of all files below a folder, MB."""
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) / 2**20


def ran(*words: str) -> None:
    """Run a command quietly.

    Raises
    ------
    RuntimeError
        It does not end with 0.
    """
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        code = placer(list(words))
    if code:
        raise RuntimeError(f"placer {words[0]} ends with {code}: {said.getvalue()[-500:]}")


def asked(base: str, target: str, body: bytes | None = None) -> bytes:
    """Ask as the page does; nothing where the answer is no sound or page."""
    request = urllib.request.Request(base + target, body, {"Origin": base})
    try:
        with urllib.request.urlopen(request) as answer:
            found: bytes = answer.read()
            return found
    except urllib.error.HTTPError as error:
        error.close()
        return b""


def listened(run: Path) -> int:
    """Serve a run as `listen` does, ask for the page and all its sound; how many answers."""
    server = ListenServer(run)
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    base = f"http://127.0.0.1:{server.server_port}"
    try:
        page = asked(base, "/").decode()
        tokens = re.findall(r'"token": ?"([\w-]+)"', page)
        count = len(server.answers.result.tracks)
        targets = [f"/audio/{token}" for token in tokens]
        targets += [f"/parts/{rank:02d}/{i}" for rank in range(len(tokens)) for i in range(count)]
        answers = [asked(base, target) for target in targets]
        answers.append(asked(base, "/rounds", b"{}"))
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
    if not tokens or not all(answers[: len(tokens)]) or not answers[-1]:
        raise RuntimeError(f"the page of {run} names {len(tokens)} mixes, not all can be heard")
    return sum(map(bool, answers))


def main(cue: Path, minutes: float, search: float) -> int:
    """Run rounds until the time is over."""
    folder = Path(tempfile.mkdtemp(prefix="placer-soak-"))
    cache = Path(os.environ.setdefault("PLACER_CACHE", str(folder / "cache")))
    end, found = time.monotonic() + 60.0 * minutes, list[tuple[float, int, int, float]]()
    while time.monotonic() < end or len(found) < SHORTEST_ROUNDS:
        run = folder / "run"
        shutil.rmtree(run, ignore_errors=True)
        ran("search", str(cue), "--time", f"{search:g}s", "--seed", "3", "--out", str(run))
        ran("render", str(run), "--rank", "1")
        answers = listened(run)
        ran("export", str(run), "--rank", "1")
        found.append((memory(), handles(), threading.active_count(), size_of(cache)))
        told = "round {}: {:.1f} MB, {} handles, {} threads, cache {:.1f} MB, {} answers"
        print(told.format(len(found), *found[-1], answers), flush=True)  # noqa: T201
    half = found[len(found) // 2 :]
    grown = half[-1][0] / half[0][0] - 1.0
    print(f"{len(found)} rounds; memory {100.0 * grown:+.2f} % in the second half")  # noqa: T201
    shutil.rmtree(folder)
    return int(grown > GROWTH or any(half[-1][i] > half[0][i] for i in (1, 2)))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Nothing may grow.")
    parser.add_argument("cue", type=Path)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--search", type=float, default=10.0, help="seconds of each search")
    given = parser.parse_args()
    sys.exit(main(given.cue, given.minutes, given.search))
