"""What the cost is told about a cue: the same facts at the table level and at the exact level.

*Conventions*: tracks in cue order; F frames of the passage, n of them after clustering.

`table_scene`: scene and source envelopes with clustered frames, reference from the tables.
`exact_scene`: scene with every frame, reference from real convolution.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from placer.cost.prepare import cluster_frames, gather, importance
from placer.cost.scene import Envelopes, Limits, Scene, Sounding, Totals
from placer.cue.records import Cue
from placer.placing.options import Options
from placer.trial.material import Material
from sim.bands import ERB_CENTRES
from sim.decibel import FloatArray

FRAMES = 64
"""Clustered frames that stand for all in the fast loop."""

MARGIN_DB = 0.1
"""How much earlier the fast loop sees a limit: what it ends at then holds in the real mix."""

GATING_DB = 1.0
"""How far gated loudness and K-weighted energy of one layer may part, besides the cost's slack."""


def _articulation(cue: Cue) -> FloatArray:
    roles = {role: (articulation, weight) for role, articulation, weight in cue.roles}
    return np.array([roles[track.role][0] for track in cue.tracks])


def _weight(material: Material) -> FloatArray:
    """Role times priority; nothing for a track that is silent in the passage."""
    cue = material.cue
    roles = {role: weight for role, _, weight in cue.roles}
    wanted = np.array([roles[track.role] * track.priority for track in cue.tracks])
    weights: FloatArray = np.where(material.audible, wanted, 0.0)
    return weights


def _group(cue: Cue) -> np.ndarray:
    names = sorted({track.group for track in cue.tracks if track.group})
    return np.array([names.index(t.group) if t.group else -1 for t in cue.tracks])


def _scene(
    material: Material,
    weights: FloatArray,
    reference: Totals,
    *,
    margin_db: float,
    mix: tuple[FloatArray, FloatArray] | tuple[None, None] = (None, None),
) -> Scene:
    cue, search = material.cue, material.cue.search
    both = search.headphones + search.loudspeakers
    movable = [not track.fixed for track in cue.tracks]
    return Scene(
        names=tuple(track.name for track in cue.tracks),
        articulation=_articulation(cue),
        weight=_weight(material),
        group=_group(cue),
        movable=np.array(movable) & material.audible,
        centres=ERB_CENTRES,
        importance=weights,
        reference=reference,
        reference_mix=mix[0],
        reference_mix_thirds=mix[1],
        listening=(search.headphones / both, search.loudspeakers / both),
        weights=cue.weights,
        limits=Limits(
            drier_db=max(search.drier_db - margin_db, 0.0),
            late_db=max(search.late_db - margin_db, 0.0),
            low_db=max(search.low_db - margin_db, 0.0),
            # the lows of one layer are foretold a little less well than the rest
            layer_low_db=max(search.layer_low_db + search.trim_db - 2.0 * margin_db, 0.0),
            balance_db=max(search.balance_db - margin_db, 0.0),
            side_db=max(search.side_db - margin_db, 0.0),
            room_side_db=max(search.room_side_db - margin_db, 0.0),
            # loudness is set back by BS.1770 itself; this only catches gross errors of energy
            trim_db=search.trim_db + GATING_DB,
        ),
    )


def table_scene(
    material: Material, references: Sequence[Options], exact: Scene, *, margin_db: float = MARGIN_DB
) -> tuple[Scene, Envelopes]:
    """Scene and envelopes of the fast loop.

    Parameters
    ----------
    material : Material
        With the cue's own arrays.
    references : sequence of Options
        One a track; their first option is the reference placement.
    exact : Scene
        Of the exact level: the whole mix is compared with the same real reference.
    margin_db : float
        How much earlier limits are seen.

    Returns
    -------
    Scene, Envelopes
        With at most `FRAMES` frames.
    """
    sources = [table.source for table in material.tables]
    frames = cluster_frames(
        np.stack([source.envelope for source in sources]),
        np.stack([source.late_envelope for source in sources]),
        FRAMES,
        material.cue.search.seed,
    )
    articulation = _articulation(material.cue)
    weights = np.concatenate(
        [
            gather(
                importance(
                    (option.early[0, :, :, None] * source.envelope[None])[None],
                    (option.late[0, :, :, None] * source.late_envelope[None])[None],
                    articulation[index : index + 1],
                ),
                frames.label,
                len(frames.weight),
            )
            for index, (option, source) in enumerate(zip(references, sources, strict=True))
        ]
    )
    envelopes = Envelopes(
        early=frames.early,
        late=frames.late,
        frame_weight=frames.weight,
        power=np.stack([source.power for source in sources]),
        third_power=np.stack([source.third_power for source in sources]),
    )
    reference = Totals(
        early=np.stack([o.early_total[0] for o in references]) * envelopes.power[:, None],
        late=np.stack([o.late_total[0] for o in references]) * envelopes.power[:, None],
        # the real ones, so that the same thirds matter to a layer as at the exact level
        thirds=exact.reference.thirds,
    )
    if exact.reference_mix is None or exact.reference_mix_thirds is None:
        raise ValueError("the exact scene must hold the real reference mix")
    mix = (exact.reference_mix, exact.reference_mix_thirds)
    return _scene(material, weights, reference, margin_db=margin_db, mix=mix), envelopes


def exact_scene(material: Material, heard: Sounding) -> Scene:
    """Scene of the exact level.

    Parameters
    ----------
    material : Material
    heard : Sounding
        The reference, with its real sum.

    Returns
    -------
    Scene
        With every frame.
    """
    if heard.mix is None or heard.mix_thirds is None:
        raise ValueError("the reference must be really mixed")
    articulation = _articulation(material.cue)
    weights = np.concatenate(
        [
            importance(early[None], late[None], articulation[index : index + 1])
            for index, (early, late) in enumerate(zip(heard.early, heard.late, strict=True))
        ]
    )
    mix = (heard.mix, heard.mix_thirds)
    return _scene(material, weights, heard.totals, margin_db=0.0, mix=mix)
