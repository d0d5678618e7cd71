"""A small run folder with everything a real run writes; music and names are invented."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pyebur128
import soundfile

from placer.result.model import PlacedTrack, Result, result_of
from sim.bands import ERB_CENTRES, LOW_THIRDS

RATE = 48000
TARGET = -23.0
TERMS = (
    "audibility", "definition", "overlap", "loudness", "low_weight", "balance", "mono", "seating",
)  # fmt: skip
CAST = (
    # name, section, kind, seat in m, pan, MIDI-like pitch in Hz
    ("Low strings run", "strings", "dry", (3.0, 3.5), 0.2, 82.0),
    ("Low strings bed", "strings", "dry", (4.0, 4.5), 0.3, 65.0),
    ("Horns", "brass", "dry", (-2.5, 8.0), -0.1, 196.0),
    ("Soft choir", "choir", "recorded", None, 0.0, 262.0),
    ("Struck metal", "percussion", "recorded", None, 0.1, 523.0),
    ('Deep swell <fixed> & "done"', "effects", "direct", None, 0.0, 41.0),
)
POSITIONS = {
    "dry": ("close", "tree", "outriggers", "hall"),
    "recorded": ("close", "tree", "hall"),
    "direct": (),
}


def result_track(index: int, rank: int) -> dict[str, Any]:
    """One track in one mix; rank 0 is the reference."""
    name, _, kind, seat, pan, _ = CAST[index]
    moved = rank * (1 if index % 2 else -1) if kind != "direct" and index != 2 else 0
    if seat is not None:
        seat = [seat[0] + 1.5 * moved, seat[1] + 0.5 * moved]
    blend = {p: -3.0 * i for i, p in enumerate(POSITIONS[kind])}
    if moved and kind != "direct":
        blend["close"] += 1.5 * moved
        blend[POSITIONS[kind][-1]] = None if rank == 2 else blend[POSITIONS[kind][-1]] - 1.5 * moved
    aligned = kind == "dry" and index == 0 and rank == 1
    return {
        "name": name, "seat": seat, "pan": float(np.clip(pan + 0.3 * moved, -1, 1)),
        "width": 1.0 if rank == 0 or kind != "recorded" else 0.8,
        "aligned": aligned, "close_delay_ms": 12.34 if kind == "dry" else 0.0,
        "blend_db": blend, "make_up_db": -0.7 * moved, "lateral_deg": 20.0 * pan + 9.0 * moved,
        "side_db": 12.0 * pan + 2.0 * moved, "room_side_db": 6.0 * pan + 1.0 * moved,
        "drr_db": 2.0 - index + 2.5 * moved, "c80_db": 4.0 - index + 2.0 * moved,
        "audibility": min(0.95, 0.3 + 0.08 * index + 0.1 * (rank > 0) - 0.02 * rank),
        "free": ["seat", "blend", "pan", "width", "delay"],
        "hidden_by": ["Low strings bed"] if index == 0 else [],
        "terms": {term: 0.1 + 0.01 * index for term in TERMS}, "words": "",
    }  # fmt: skip


RUNGS = ("few", "some", "contrast", "clearest")
MOVED = {1: ((0,), (3,), (1, 4)), 2: ((4,), (3,), (0,), (1,)), 3: ((4,), (3,), (0,), (1,))}
"""Tracks that each mix moves, step by step, in the order of its path."""


def result_path(rank: int) -> dict[str, Any]:
    """The path of a mix: each step takes an equal part of the cost and frees its tracks."""
    steps = MOVED[min(rank, 3)]
    start, end = mix_cost(0), mix_cost(rank)
    heard = {name: result_track(index, 0)["audibility"] for index, (name, *_) in enumerate(CAST)}
    path = []
    for number, step in enumerate(steps, 1):
        for index in step:
            heard[CAST[index][0]] = result_track(index, rank)["audibility"]
        path.append({
            "tracks": [CAST[index][0] for index in step],
            "cost": start + (end - start) * number / len(steps), "audibility": dict(heard),
        })  # fmt: skip
    return {"rung": RUNGS[min(rank, 4) - 1], "nested": False, "path": path}


def mix_cost(rank: int) -> float:
    """Cost of a mix."""
    return 1.0 - 0.1 * (rank > 0) + 0.02 * rank


def result_mix(rank: int) -> dict[str, Any]:
    """One mix of the run without its sound."""
    rng = np.random.default_rng(40 + rank)
    count = len(CAST)
    maskers = np.clip(rng.random((count, count)) ** 2 - 0.1 * (rank > 0), 0.0, 1.0)
    np.fill_diagonal(maskers, 0.0)
    thirds = -30.0 - 0.02 * (np.arange(29) - 8.0) ** 2
    return {
        "rank": rank, "file": f"mix-{rank:02d}.wav" if rank else "reference.wav",
        "cost": mix_cost(rank),
        "terms": {t: 0.2 - (0.05 + 0.01 * i) * (rank == 1 + i % 3) for i, t in enumerate(TERMS)},
        "feasible": True, "violations": {},
        "figures": {
            "low_thirds_db": [0.1 * rank * (-1) ** i for i in range(11)],
            "left_right_db": 0.2 * rank, "left_right_low_db": 0.1, "mono_loss_db": -0.4,
            "late_db": 0.3 * rank,
            "thirds_db": (thirds + 0.3 * rank * np.sin(np.arange(29))).tolist(),
        },
        "lufs": TARGET, "true_peak_dbtp": -6.0, "gain_db": 1.0, "missed_lu": 0.0,
        "shared": {"close_distance": 1.5 + 0.1 * rank, "tree_height": 3.2}, "words": "",
        "tracks": [result_track(i, rank) for i in range(count)], "maskers": maskers.tolist(),
    } | (result_path(rank) if rank else {})  # fmt: skip


def result_facts(mixes: int = 3, seconds: float = 6.0) -> dict[str, Any]:
    """A result.json of schema placer.result/1 without sound beside it."""
    return {
        "schema": "placer.result/1",
        "cue": {"name": "Invented cue <1>", "path": "cue.toml", "hash": "0" * 40},
        "sample_rate": RATE, "seconds": seconds, "excerpt": [0.0, seconds], "seed": 1,
        "room": {"width": 22.0, "depth": 30.0, "height": 12.0, "conductor": 14.0,
                 "reverberation_time": [2.3, 2.2, 2.1, 2.0, 1.8, 1.5, 1.1]},
        "arrays": {
            "tree": {"spacing": 2.0, "forward": 1.0, "height": 3.2, "y": 0.5, "pattern": 1.0},
            "outriggers": {"spacing": 10.0, "height": 3.2, "y": 1.0},
            "hall": {"spacing": 8.0, "height": 5.0, "y": -9.0},
            "close": {"distance": 1.5, "height": 2.0, "angle_deg": 45.0, "pattern": 0.5},
        },
        "loudness": {"target_lufs": TARGET, "ceiling_dbtp": -1.0},
        "limits": {"low_db": 1.5, "side_db": 15.0, "room_side_db": 9.0},
        "tracks": [
            {"name": name, "kind": kind, "section": section, "role": "bed",
             "positions": list(POSITIONS[kind]), "priority": 1.0, "fixed": kind == "direct",
             "group": "", "bus": "", "foreground": index in (0, 4), "files": [f"stems/{index}.wav"],
             "area": [-8.0, 8.0, 1.0, 12.0] if kind == "dry" else None}
            for index, (name, section, kind, _, _, _) in enumerate(CAST)
        ],
        "bands": ERB_CENTRES.tolist(), "thirds": LOW_THIRDS.tolist(),
        "reference": result_mix(0), "mixes": [result_mix(rank) for rank in range(1, mixes + 1)],
        "search": {"trials": 8, "evaluations": 125000, "workers": 2,
                   "history": [[9000, 1.0], [31000, 0.97], [80000, 0.93], [125000, 0.92]]},
        "notes": ["Everything here is invented."], "warnings": [],
    }  # fmt: skip


def as_result(facts: dict[str, Any]) -> Result:
    """The same as records, whether its parts fit or not."""
    return msgspec.convert(facts, Result)


def run_result(mixes: int = 3, seconds: float = 6.0) -> Result:
    """`result_facts` as records."""
    return as_result(result_facts(mixes, seconds))


def changed(result: Result, values: dict[str, Any]) -> Result:
    """The result with other values: "mixes.0.tracks.2.pan" names one."""
    facts: Any = msgspec.json.decode(msgspec.json.encode(result))
    for path, value in values.items():
        *way, last = [int(key) if key.isdigit() else key for key in path.split(".")]
        holder = facts
        for key in way:
            holder = holder[key]
        holder[last] = msgspec.json.decode(msgspec.json.encode(value))
    return as_result(facts)


def placed_track(index: int, rank: int) -> PlacedTrack:
    """`result_track` as a record."""
    return msgspec.convert(result_track(index, rank), PlacedTrack)


def problem(facts: Any) -> str:
    """Why JSON values are refused as a result, "" where they are not."""
    try:
        result_of(facts)
    except ValueError as error:
        return str(error)
    return ""


def track_sound(index: int, mix: dict[str, Any], seconds: float) -> np.ndarray:
    """A plucked or held tone, panned; (2, frame)."""
    frames = round(seconds * RATE)
    time = np.arange(frames) / RATE
    frequency = CAST[index][5]
    rate = 2.0 + index
    shape = np.exp(-3.0 * (time * rate % 1.0)) if index % 2 == 0 else 0.5 + 0.1 * np.sin(2 * time)
    rng = np.random.default_rng(index)
    tone = sum(np.sin(2 * np.pi * k * frequency * time + rng.random() * 6) / k for k in range(1, 6))
    angle = (mix["tracks"][index]["pan"] + 1.0) * np.pi / 4.0
    return 0.04 * np.stack([np.cos(angle) * shape * tone, np.sin(angle) * shape * tone])


def measured_lufs(sound: np.ndarray, rate: int = RATE) -> float:
    """Integrated loudness of (channel, frame) sound by libebur128."""
    state = pyebur128.R128State(sound.shape[0], rate, pyebur128.MeasurementMode.MODE_I)
    flat = np.ascontiguousarray(sound.T, dtype=np.float64).ravel()
    state.add_frames(flat, sound.shape[1])
    return float(pyebur128.get_loudness_global(state))


CHANGED = sorted({index for steps in MOVED.values() for step in steps for index in step})
"""Tracks that some mix places otherwise than the reference."""


def write_parts(folder: Path, tracks: list[np.ndarray]) -> None:
    """Write the passage, here the whole, of every changed track at the gain of the reference."""
    folder.mkdir(parents=True)
    for index in CHANGED:
        path = folder / f"{CAST[index][0]}.wav"
        soundfile.write(path, tracks[index].T, RATE, subtype="FLOAT")


def write_run(folder: Path, *, mixes: int = 3, seconds: float = 6.0, stems: bool = True) -> Result:
    """Write a whole run folder and return its result; every mix measures `TARGET` LUFS."""
    folder.mkdir(parents=True, exist_ok=True)
    result = result_facts(mixes, seconds)
    first = 0.0
    for mix in [result["reference"], *result["mixes"]]:
        tracks = [track_sound(index, mix, seconds) for index in range(len(CAST))]
        total = np.sum(tracks, axis=0)
        gain = 10.0 ** ((TARGET - measured_lufs(total)) / 20.0)
        first = first or gain
        write_parts(folder / "parts" / f"{mix['rank']:02d}", [first * one for one in tracks])
        soundfile.write(folder / mix["file"], gain * total.T, RATE, subtype="PCM_24")
        mix["lufs"] = measured_lufs(gain * total)
        mix["true_peak_dbtp"] = float(20 * np.log10(np.max(np.abs(gain * total))))
        if stems:
            placed = folder / "placed" / f"{mix['rank']:02d}"
            placed.mkdir(parents=True, exist_ok=True)
            for index, audio in enumerate(tracks):
                soundfile.write(
                    placed / f"{CAST[index][0]}.wav", gain * audio.T, RATE, subtype="FLOAT"
                )
    (folder / "result.json").write_text(json.dumps(result), encoding="utf-8")
    return as_result(result)
