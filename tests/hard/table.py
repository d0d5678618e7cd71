"""The table of bad inputs: every case run once, and what was said.

    python -m tests.hard.table [FILE.md]

writes one line a case as Markdown, and counts by class on standard output.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import sys
import tempfile
from collections import Counter
from pathlib import Path

from placer.cli import main
from tests.hard.bad_input import CASES, Case, Workspace, filled


def said(case: Case, work: Workspace) -> tuple[int, str]:
    """Exit code and standard error of one case."""
    case.prepare(work)
    words = [filled(word, work) for word in case.words if word or len(case.words) > 1]
    errors = io.StringIO()
    with contextlib.redirect_stderr(errors), contextlib.redirect_stdout(io.StringIO()):
        try:
            code = main(words)
        except SystemExit as error:
            code = int(error.code or 0)
    return code, errors.getvalue().replace(str(work.path), "W")


def table(place: Path) -> tuple[list[str], dict[str, Counter[str]]]:
    """Rows of all cases, and how many of each class ended how."""
    from placer.pipeline import SearchOrder, search
    from placer.progress import Quiet
    from tests.placer.small_cue import write_cue

    os.environ["PLACER_CACHE"] = str(place / "cache")
    cue = write_cue(place / "small")
    run = search(SearchOrder(cue=cue, trials=1, stems=True), Quiet()).folder
    rows, counts = ["| class | input | exit | said |", "| --- | --- | --- | --- |"], {}
    for kind, cases in CASES.items():
        counts[kind] = Counter()
        for number, case in enumerate(cases):
            work = Workspace(place / f"{kind}-{number}", lambda: run, cue)
            work.path.mkdir()
            work.fill()
            code, text = said(case, work)
            clear = code == 2 and text.count("\n") == 1 and re.search(r"^placer.*: ", text)
            counts[kind]["one line, exit 2" if clear else f"exit {code}"] += 1
            line = text.strip().replace("|", "\\|").replace(str(place), "P")
            rows.append(f"| {kind} | {case.name} | {code} | {line[:300]} |")
    return rows, counts


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        lines, found = table(Path(folder))
    if len(sys.argv) > 1:
        Path(sys.argv[1]).write_text("\n".join(lines) + "\n", encoding="utf-8")
    for kind, outcomes in found.items():
        print(f"{kind}: {dict(outcomes)}")  # noqa: T201
