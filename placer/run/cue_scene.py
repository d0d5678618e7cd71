"""What the cost is told about a cue.

*Conventions*: tracks in cue order.

`scene_of`: the scene. `foreground_of`: which tracks carry the music. `limits_of`: what no candidate
may do.
"""

from __future__ import annotations

import numpy as np

from placer.cost.scene import ROOM_POINTS, Limits, Scene, Totals
from placer.cue.records import FOREGROUND_ROLES, Cue
from sim.bands import ERB_CENTRES
from sim.decibel import FloatArray

GATING_DB = 1.0
"""How far gated loudness and K-weighted energy of one layer may part, besides the cost's slack."""


def articulation_of(cue: Cue) -> FloatArray:
    """How much each track lives from its attacks, (track,) 0 to 1, by its role."""
    roles = {role: articulation for role, articulation, _ in cue.roles}
    return np.array([roles[track.role] for track in cue.tracks])


def foreground_of(cue: Cue) -> np.ndarray:
    """Which tracks carry the music, (track,) bool: as the cue file says, else by role.

    Where no track does, all do.
    """
    found = np.array(
        [
            track.role in FOREGROUND_ROLES if track.foreground is None else track.foreground
            for track in cue.tracks
        ]
    )
    return found if found.any() else np.ones(len(cue.tracks), dtype=bool)


def limits_of(cue: Cue) -> Limits:
    """What a candidate may never do."""
    search = cue.search
    return Limits(
        drier_db=search.drier_db,
        late_db=search.late_db,
        low_db=search.low_db,
        layer_low_db=search.layer_low_db + search.trim_db,
        balance_db=search.balance_db,
        side_db=search.side_db,
        room_side_db=search.room_side_db,
        room_share=(search.room_share, ROOM_POINTS),
        # loudness is set back by BS.1770 itself; this only catches gross errors of energy
        trim_db=search.trim_db + GATING_DB,
    )


def scene_of(
    cue: Cue,
    *,
    audible: np.ndarray,
    importance: FloatArray,
    reference: Totals,
    elsewhere: FloatArray,
    loudness: tuple[float, float],
) -> Scene:
    """Scene of a cue.

    Parameters
    ----------
    audible : (track,) bool
        Whether each track says anything in the passage.
    importance : (track, B, n) FloatArray
    reference : Totals
        Of the reference mix.
    elsewhere : (track, 2) FloatArray
        As `Scene.elsewhere`.
    loudness : (LUFS, dBTP)
        Of the reference mix in the passage.
    """
    weights = {role: weight for role, _, weight in cue.roles}
    wanted = np.array([weights[track.role] * track.priority for track in cue.tracks])
    names = sorted({track.group for track in cue.tracks if track.group})
    both = cue.search.headphones + cue.search.loudspeakers
    return Scene(
        names=tuple(track.name for track in cue.tracks),
        articulation=articulation_of(cue),
        weight=np.where(audible, wanted, 0.0),
        group=np.array([names.index(t.group) if t.group else -1 for t in cue.tracks]),
        movable=np.array([not track.fixed for track in cue.tracks]) & audible,
        foreground=foreground_of(cue) & audible,
        centres=ERB_CENTRES,
        importance=importance,
        reference=reference,
        elsewhere=elsewhere,
        loudness=(*loudness, cue.loudness.target_lufs - cue.loudness.ceiling_dbtp),
        listening=(cue.search.headphones / both, cue.search.loudspeakers / both),
        weights=cue.weights,
        limits=limits_of(cue),
    )
