"""Everything that scores candidates of one cue, for whichever shared numbers a trial uses.

*Conventions*: shared numbers are a mapping of `material.SHARED` names to metres.

`Judge`: tables and exact scorers by shared numbers, made when first asked for.
`cue_hash`: what makes two runs the same run.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np

from placer.audio.files import content_hash
from placer.cost.fast import Kernel
from placer.cue.records import Cue
from placer.trial.catalogues import TableSearch, corrected, references, seat_tables
from placer.trial.material import Material, with_arrays
from placer.trial.passages import Reread
from placer.trial.scene import MARGIN_DB, table_scene
from placer.trial.scoring import ExactScorer, Known, Scored

MOST_KEPT = 3
"""Sets of shared numbers whose tables are kept in memory."""

THREADS = 2
"""Tracks whose stems are hashed at a time."""

BETWEEN_RUNS = ("trials", "renders")
"""Search settings that may change when a run goes on."""


def cue_hash(cue: Cue) -> str:
    """Hash of all that decides a result: the cue's values and the bytes of its stems.

    Raises
    ------
    AudioError
        A stem that cannot be read.
    """
    values = dataclasses.asdict(cue)
    del values["path"]
    for name in BETWEEN_RUNS:
        del values["search"][name]
    with ThreadPoolExecutor(THREADS) as pool:
        for track, files in zip(
            values["tracks"],
            pool.map(lambda track: [content_hash(path) for path in track.files], cue.tracks),
            strict=True,
        ):
            track["files"], track["locks"] = files, sorted(track["locks"])
            del track["seat_from"]  # words for a person
    text = json.dumps(values, sort_keys=True)
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()


class Judge:
    """Scores candidates of one cue.

    Parameters
    ----------
    material : Material
        With the cue's own arrays.
    threads : int
        That the fast loop may use.
    margin_db : float
        How much earlier the fast loop sees limits than they are.
    progress : callable
        Told each track's name while tables for other arrays are built.
    known : Known, optional
        From the judge of another process, so that the reference is not scored again.
    """

    def __init__(
        self,
        material: Material,
        *,
        threads: int = 2,
        margin_db: float = MARGIN_DB,
        progress: Callable[[str], None] = lambda _: None,
        known: Known | None = None,
    ) -> None:
        self.material = material
        self._progress = progress
        self.scorer = ExactScorer(material, known=known)
        self.reference: Scored = self.scorer.score(self.scorer.starts)
        self._focused = seat_tables(material)
        starts = references(material, self._focused)
        self._corrections_db = self.reference.make_up_db - np.array(
            [float(options.make_up_db[0]) for options in starts]
        )
        raised = [
            corrected(options, float(by))
            for options, by in zip(starts, self._corrections_db, strict=True)
        ]
        scene = table_scene(material, raised, self.scorer.scene, margin_db=margin_db)
        self.kernel = Kernel(*scene, threads=threads)
        self._kept: dict[str, tuple[TableSearch, ExactScorer]] = {}

    def at(self, shared: Mapping[str, Any]) -> tuple[TableSearch, ExactScorer]:
        """Tables and scorer for some shared numbers."""
        name = json.dumps(dict(shared), sort_keys=True)
        if name not in self._kept:
            material = with_arrays(self.material, shared, progress=self._progress)
            own = material.cue.arrays == self.material.cue.arrays
            scorer = self.scorer if own else ExactScorer(material, self.scorer)
            tables = TableSearch(
                material,
                self.kernel,
                focused=self._focused if own else seat_tables(material),
                corrections_db=self._corrections_db,
            )
            while len(self._kept) >= MOST_KEPT:
                self._kept.pop(next(iter(self._kept)))
            self._kept[name] = (tables, scorer)
        return self._kept[name]

    @property
    def known(self) -> Known:
        """What the judge of another process needs of the reference."""
        return Known(self.scorer.targets, self.scorer.scene, self.reference)

    def let_go(self) -> None:
        """Keep nothing large that can be read or made again: workers need the memory."""
        self._kept.clear()
        for passage in self.material.passages:
            if isinstance(passage, Reread):
                passage.let_go()
        self.scorer.kept.bound(0)
