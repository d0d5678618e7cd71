"""Where votes are kept: votes.json in the run folder, and the weights learned from them beside it.

*Conventions*: versions are named by rank, 0 the reference, -1 the composer's own mix. Files are
replaced whole, so an interruption loses at most the vote being made.

`VoteRecord`: the file. `read_record`: what is there. `add`: one more entry. `guessing`: the ABX
probability. `learn_from`: weights from run folders, as `placer learn` and the page use it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from placer.audio.atomic import write_text
from placer.errors import FolderError
from placer.result.folder import open_run
from placer.result.model import OWN_RANK, Count, Number, Rank, Result, json_text, refusal
from placer.result.votes import FIRST_LINE, Learned, Vote, learn, weights_toml

SCHEMA = "placer.votes/1"
VOTES, WEIGHTS = "votes.json", "weights.toml"


class AbxSeries(Struct, frozen=True, kw_only=True):
    """Result of one ABX series between two ranks; `p` is its probability by guessing."""

    a: Rank
    b: Rank
    right: Count
    trials: Count
    p: Number
    time: str = ""


class Note(Struct, frozen=True, kw_only=True):
    """What a listener wrote at a position, s, of a version, if any was named."""

    text: str
    position: Number
    rank: Rank | None = None
    time: str = ""


class VotedCue(Struct, frozen=True, kw_only=True):
    """Which cue was voted on."""

    name: str = ""
    hash: str


class VoteRecord(Struct, frozen=True, kw_only=True):
    """What votes.json says."""

    schema: str = SCHEMA
    cue: VotedCue
    votes: tuple[Vote, ...] = ()
    trials: tuple[AbxSeries, ...] = ()
    notes: tuple[Note, ...] = ()


def guessing(right: int, trials: int) -> float:
    """Exact probability of at least `right` of `trials` by guessing (binomial tail at 1/2).

    Examples
    --------
    >>> guessing(9, 10) == 11 / 1024
    True
    """
    ways: int = sum(math.comb(trials, hits) for hits in range(right, trials + 1))
    return ways / (1 << trials)


def read_record(run_folder: Path, result: Result) -> VoteRecord:
    """Votes of a run; an empty record where there are none.

    Raises
    ------
    FolderError
        If votes.json is damaged, of another version, of another cue, or names unknown mixes.
    """
    path = run_folder / VOTES
    if not path.exists():
        return VoteRecord(cue=VotedCue(name=result.cue.name, hash=result.cue.hash))
    values: Any = None
    try:
        values = msgspec.json.decode(path.read_bytes())
        record = msgspec.convert(values, VoteRecord)
    except (OSError, ValueError, msgspec.MsgspecError, RecursionError) as error:
        if values is not None and isinstance(error, msgspec.ValidationError):
            reason = refusal(error, values)
        else:
            reason = " ".join(str(error).split())[:200]
        raise FolderError(
            f"{path}: cannot be read ({reason}); move it away to begin anew"
        ) from error
    if (record.schema, record.cue.hash) != (SCHEMA, result.cue.hash):
        raise FolderError(
            f"{path}: belongs to another run or version (found {record.schema!r}); move it away"
        )
    ranks = {mix.rank for mix in result.all_mixes} | {OWN_RANK}
    for number, vote in enumerate(record.votes):
        among = set(vote.among)
        if not among <= ranks or len(among) < max(2, len(vote.among)):
            raise FolderError(
                f"{path}: votes[{number}].among = {list(vote.among)}: names versions that this "
                "run does not have, or one alone; move it away"
            )
        if vote.chosen is not None and vote.chosen not in among:
            raise FolderError(
                f"{path}: votes[{number}].chosen = {vote.chosen}: was not on offer; move it away"
            )
    return record


def add(run_folder: Path, result: Result, entry: Vote | AbxSeries | Note) -> VoteRecord:
    """Add a vote, the result of a series or a note with the time, and keep the whole record.

    Raises
    ------
    FolderError
        As `read_record`, or if the folder cannot be written.
    """
    record = read_record(run_folder, result)
    kind = {Vote: "votes", AbxSeries: "trials", Note: "notes"}[type(entry)]
    timed = replace(entry, time=datetime.now(UTC).isoformat(timespec="seconds"))
    record = replace(record, **{kind: (*getattr(record, kind), timed)})
    write_text(run_folder / VOTES, json_text(record))
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
        runs.append((result, read_record(folder, result).votes))
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
