"""What the listening page is told and what it may say: no sockets here.

*Conventions*: paths as in `listen`; requests are plain JSON values, checked here once. Whatever a
blind page could tell versions apart by (names, gains, lengths) is kept back or made equal.

`ListeningPage`: page, sound and posts of one run folder.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from shlex import quote
from typing import Any

from placer.audio.atomic import write_text
from placer.result.answered import stored_answers, write_answers
from placer.result.blind import Listening, RequestError
from placer.result.facts import mix_label, version_of, versions
from placer.result.folder import open_run
from placer.result.matching import matching_gains
from placer.result.model import OWN_RANK
from placer.result.page import page
from placer.result.record import WEIGHTS, AbxSeries, Note, add, read_record
from placer.result.report import changed_tracks, has_stems
from placer.result.tables import learned_terms
from placer.result.votes import Vote, learn, learned_words, weights_toml

LONGEST_NOTE = 2000


class ListeningPage:
    """Everything a page can ask of one run.

    Raises
    ------
    FolderError
        If result.json or votes.json cannot be read.
    """

    def __init__(self, run_folder: Path) -> None:
        self.folder = run_folder
        self.run = open_run(run_folder)
        self.result = self.run.read_result()
        self.gains = matching_gains(self.result)
        self.listening = Listening(tuple(self.gains))
        self.stems = has_stems(run_folder, self.result)
        self.changed = changed_tracks(run_folder, self.result)
        read_record(run_folder, self.result)

    def page(self, nonce: str) -> str:
        """Give the page with fresh tokens."""
        mixes = [
            {
                "rank": mix.rank,
                "label": mix_label(mix),
                "token": self.listening.token(mix.rank),
            }
            for mix in versions(self.result)
        ]
        learned = learn([(self.result, read_record(self.folder, self.result).votes)])
        again = f"placer search {quote(self.result.cue.path)} --from {quote(str(self.folder))}"
        return page(
            self.result, learned, mixes=mixes, served=True, stems=self.stems, nonce=nonce,
            changed=self.changed, answers=stored_answers(self.folder), search_on=again,
        )  # fmt: skip

    def audio(self, asked: str) -> tuple[Path, float] | None:
        """Give file and gain in dB of "TOKEN" or "TOKEN/TRACK"; None for anything else."""
        token, _, track = asked.partition("/")
        rank = self.listening.rank_of(token)
        if rank is None:
            return None
        if not track or rank == OWN_RANK:  # the composer's own mix has no stems: heard whole
            return self.folder / version_of(self.result, rank).file, self.gains[rank]
        tracks = self.result.tracks
        if not track.isascii() or not track.isdigit() or int(track) >= len(tracks):
            return None
        name = f"{tracks[int(track)].name}.wav"
        return self.run.stems(rank) / name, self.gains[rank]

    def part(self, asked: str) -> tuple[Path, float] | None:
        """Give file and gain in dB of "RANK/TRACK", the passage of a placed track; None without."""
        rank, _, track = asked.partition("/")
        if self.changed is None or not re.fullmatch(r"[0-9]{1,4}/[0-9]{1,4}", asked):
            return None
        number, index = int(rank), int(track)
        known = (
            self.changed.get(number)
            if number
            else {i for one in self.changed.values() for i in one}
        )
        if known is None or index not in known:
            return None
        name = f"{self.result.tracks[index].name}.wav"
        return self.run.parts(number) / name, self.gains[0]

    def post(self, path: str, asked: Mapping[str, Any]) -> dict[str, Any]:
        """Do what a page posts.

        Raises
        ------
        RequestError
            If it is not on offer.
        FolderError
            If a vote cannot be kept.
        """
        here = self.listening
        actions: dict[str, Callable[[], dict[str, Any]]] = {
            "/rounds": here.begin_round,
            "/abx/start": lambda: here.begin_series(asked["a"], asked["b"]),
            "/abx/trial": lambda: here.trial(asked["series"]),
            "/abx/answer": lambda: here.answer(asked["series"], asked["choice"]),
            "/abx/finish": lambda: self._finish(asked["series"]),
            "/votes": lambda: self._vote(asked),
            "/answers": lambda: self._answer(asked),
        }
        if path not in actions:
            raise RequestError(f"{path}: nothing is taken there")
        return actions[path]()

    def _answer(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        """Keep which moves are kept and refused."""
        write_answers(self.folder, self.result, asked)
        return {}

    def _finish(self, series: str) -> dict[str, Any]:
        """End an ABX series and keep its result."""
        found = self.listening.end_series(series)
        if found["trials"]:
            add(self.folder, self.result, AbxSeries(**found))
        return found

    def _vote(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        """Keep a sighted vote, a blind one (and give its order away) or a note."""
        kind = asked["kind"]
        if kind == "note":
            rank = asked.get("rank")
            self._known([] if rank is None else [rank])
            entry = Note(text=_text(asked["text"]), position=_seconds(asked["position"]), rank=rank)
            add(self.folder, self.result, entry)
            return {}
        details = self._details(asked)
        if kind == "sighted":
            among, chosen = sorted(asked["among"]), asked["chosen"]
            self._known(among)
            if chosen not in among or len(set(among)) < 2:
                raise RequestError("a vote chooses one of at least two versions")
            return self._keep(Vote(chosen=chosen, among=tuple(among), **details))
        if kind != "blind":
            raise RequestError(f"kind = {kind!r}: allowed are sighted, blind and note")
        order, chosen = self.listening.end_round(asked["round"], asked["chosen"])
        vote = Vote(chosen=chosen, among=tuple(sorted(order)), blind=True, **details)
        return {"order": order, **self._keep(vote)}

    def _keep(self, vote: Vote) -> dict[str, Any]:
        """Write the vote and the weights learned from all of them."""
        record = add(self.folder, self.result, vote)
        learned = learn([(self.result, record.votes)])
        write_text(self.folder / WEIGHTS, weights_toml(learned))
        return {"learned": {"words": learned_words(learned), "terms": learned_terms(learned)}}

    def _known(self, ranks: list[Any]) -> None:
        """Refuse ranks that this run does not have."""
        for rank in ranks:
            if isinstance(rank, bool) or not isinstance(rank, int) or rank not in self.gains:
                raise RequestError(f"{rank!r}: this run has no such version")

    def _details(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        """Check what a vote says beside its choice."""
        names = [track.name for track in self.result.tracks]
        track = asked.get("track")
        if track is not None and track not in names:
            raise RequestError(f"track = {track!r}: this run has no such track")
        first, last = asked["passage"]
        return {
            "passage": (_seconds(first), _seconds(last)),
            "mono": bool(asked.get("mono")),
            "speakers": bool(asked.get("speakers")),
            "track": track,
            "note": _text(asked.get("note", "")),
        }


def _text(value: Any) -> str:
    """Check a note."""
    if not isinstance(value, str) or len(value) > LONGEST_NOTE:
        raise RequestError(f"a note is text of at most {LONGEST_NOTE} characters")
    return value


def _seconds(value: Any) -> float:
    """Check a position."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise RequestError(f"{value!r}: is no position in seconds")
    return round(float(value), 3)
