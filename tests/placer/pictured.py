"""A result of twelve tracks, as the demo's: seats, sides and depths of one of its runs, rounded."""

from __future__ import annotations

import numpy as np

from placer.result.model import Result
from tests.placer.result_run import as_result, result_facts, result_track

TWELVE = (
    ("ostinato", 4.0, 2.8, 6.3, 1.7, 10.3, 8.1, True),
    ("bed", 5.0, 3.8, 5.6, 1.3, 14.9, 2.2, False),
    ("basses", 6.8, 5.0, 5.0, -0.4, -5.7, -1.4, True),
    ("horns", -4.2, 8.4, 1.8, -5.9, 13.6, -6.2, True),
    ("violins", -3.8, 3.2, -3.4, 2.8, -17.5, 4.0, True),
    ("violas", 2.0, 4.2, 1.4, 2.9, -8.8, 2.9, False),
    ("choir", 0.0, 13.2, -0.2, -3.4, -14.5, -3.0, False),
    ("bassoons", 1.4, 7.6, 3.2, 1.1, -7.1, 0.8, True),
    ("trombones", 4.2, 9.4, 2.6, 0.1, 2.7, 0.4, False),
    ("timpani", -1.8, 10.8, -2.7, -4.2, -0.1, -4.6, False),
    ("drum", 2.4, 11.6, 7.3, -3.4, 7.2, 0.6, False),
    ("woodwinds", 0.0, 7.0, -0.4, 1.9, 11.9, 6.1, True),
)
"""Name, seat (m), side and depth (degrees, dB) in the reference and when moved, foreground."""


def twelve_tracks(moved: int, copies: int = 1) -> Result:
    """The run with so many tracks moved, those listed last first; `copies` of each."""
    result = result_facts(mixes=1)
    rng = np.random.default_rng(3)
    cast = [
        (name if copy == 0 else f"{name} {copy + 1}", *rest)
        for copy in range(copies)
        for name, *rest in TWELVE
    ]
    head = result["tracks"][0]
    result["tracks"] = [
        head | {"name": name, "section": name, "foreground": front} for name, *_, front in cast
    ]
    order = [name for name, *_ in reversed(cast)][:moved]
    for mix in (result["reference"], result["mixes"][0]):
        mix["tracks"] = [
            result_track(0, 0) | {
                "name": name, "seat": [x, y], "lateral_deg": new if go else side,
                "drr_db": near if go else drr, "c80_db": near if go else drr,
                "pan": 0.4 if go else 0.0, "audibility": 0.3 if go else 0.2,
            }
            for name, x, y, side, drr, new, near, _ in cast
            for go in [mix["rank"] > 0 and name in order]
        ]  # fmt: skip
        shares = rng.random((len(cast), len(cast))) * 0.3
        mix["maskers"] = shares.tolist()
    result["mixes"][0]["path"] = [
        {
            "tracks": [name],
            "cost": 0.9 - 0.01 * number,
            "audibility": {track["name"]: track["audibility"] for track in mix["tracks"]},
        }
        for number, name in enumerate(order)
    ]
    return as_result(result)
