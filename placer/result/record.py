"""Where votes are kept: votes.json in the run folder, and the weights learned from them beside it.

*Conventions*: `{"schema", "cue", "votes": [{chosen, among, blind, ...}], "trials": [ABX results],
"notes": [...]}`; versions are named by rank, 0 the reference, -1 the
composer's own mix; `chosen` is None for "no
difference". Files are replaced whole, so an interruption loses at most the vote being made.

`read_record`: what is there. `add`: one more entry. `guessing`: the ABX probability.
`learn_from`: weights from run folders, as `placer learn` and the page use it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from placer.audio.atomic import write_text
from placer.errors import FolderError
from placer.result.facts import OWN_RANK, Facts
from placer.result.folder import open_run
from placer.result.schema import Free, Maybe, anything, misfit, text, version
from placer.result.votes import FIRST_LINE, Learned, learn, weights_toml

SCHEMA = "placer.votes/1"
VOTES, WEIGHTS = "votes.json", "weights.toml"
SHAPE = {
    "schema": text, "cue": {"hash": text},
    "votes": [{"chosen": Maybe(version), "among": [version]}],
    "trials": [Free(anything)], "notes": [Free(anything)],
}  # fmt: skip


def guessing(right: int, trials: int) -> float:
    """Exact probability of at least `right` of `trials` by guessing (binomial tail at 1/2).

    Examples
    --------
    >>> guessing(9, 10) == 11 / 1024
    True
    """
    ways: int = sum(math.comb(trials, hits) for hits in range(right, trials + 1))
    return ways / (1 << trials)


def read_record(run_folder: Path, result: Facts) -> dict[str, Any]:
    """Votes of a run; an empty record where there are none.

    Raises
    ------
    FolderError
        If votes.json is damaged, of another version, of another cue, or names unknown mixes.
    """
    path = run_folder / VOTES
    cue = {"name": result["cue"]["name"], "hash": result["cue"]["hash"]}
    if not path.exists():
        return {"schema": SCHEMA, "cue": cue, "votes": [], "trials": [], "notes": []}
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        json.dumps(record, ensure_ascii=False, allow_nan=False).encode()  # it can be written again
    except (OSError, ValueError, RecursionError) as error:
        reason = " ".join(str(error).split())[:200]
        raise FolderError(
            f"{path}: cannot be read ({reason}); move it away to begin anew"
        ) from error
    if wrong := misfit(record, SHAPE):
        raise FolderError(f"{path}: cannot be read ({wrong}); move it away to begin anew")
    if (record["schema"], record["cue"]["hash"]) != (SCHEMA, cue["hash"]):
        raise FolderError(
            f"{path}: belongs to another run or version (found {record['schema']!r}); move it away"
        )
    ranks = {0, OWN_RANK} | {mix["rank"] for mix in result["mixes"]}
    for number, vote in enumerate(record["votes"]):
        among = set(vote["among"])
        if not among <= ranks or len(among) < max(2, len(vote["among"])):
            raise FolderError(
                f"{path}: votes[{number}].among = {vote['among']}: names versions that this run "
                "does not have, or one alone; move it away"
            )
        if vote["chosen"] is not None and vote["chosen"] not in among:
            raise FolderError(
                f"{path}: votes[{number}].chosen = {vote['chosen']}: was not on offer; move it away"
            )
    return dict(record)


def add(run_folder: Path, result: Facts, kind: str, entry: Mapping[str, Any]) -> dict[str, Any]:
    """Add an entry to "votes", "trials" or "notes" with the time, and keep the whole record.

    Raises
    ------
    FolderError
        As `read_record`, or if the folder cannot be written.
    """
    record = read_record(run_folder, result)
    moment = datetime.now(UTC).isoformat(timespec="seconds")
    record[kind] = [*record[kind], {**entry, "time": moment}]
    write_text(run_folder / VOTES, json.dumps(record, indent=1, ensure_ascii=False) + "\n")
    return record


def learn_from(run_folders: Sequence[Path]) -> tuple[Learned, str]:
    """Weights from the votes of run folders, and the TOML text that holds them.

    Raises
    ------
    FolderError
        As `RunFolder.read_result` and `read_record`.
    """
    runs = []
    for folder in run_folders:
        result = open_run(folder).read_result()
        runs.append((result, read_record(folder, result)))
    learned = learn(runs)
    return learned, weights_toml(learned)


def refuse_foreign(path: Path) -> None:
    """Raise unless a file of weights may be written to a path.

    Raises
    ------
    FolderError
        Something else is there.
    """
    try:
        if path.exists() and FIRST_LINE not in path.read_text(encoding="utf-8", errors="replace"):
            raise FolderError(
                f"{path}: is there and holds no learned weights; choose another --out"
            )
    except OSError as error:
        raise FolderError(f"{path}: cannot be written ({error.strerror}); choose --out") from error
