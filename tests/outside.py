"""Figures outside the cost: how far one layer stands out of the rest, held and at its attacks.

Nothing here uses the project's own bands, cost or ears: third-octave Butterworth bands
(IEC 61260-1 centres, scipy), the ratio of the layer's energy to that of everything else at the
better of the two channels of a band, averaged in dB. Held: over cells of 125 ms in which the layer
sounds (within 25 dB of its strongest cell of the band, in bands within 25 dB of its strongest).
Attacks: over frames of 5 ms in which the layer begins (6 dB above its mean of 50 ms before), its
energy in the 30 ms from there against the rest's mean from 100 ms before to their end, since what
has just sounded hides too (common practice, no source). Which cells and attacks these are is told
by the layer in the reference, for every mix: else a layer that gets a little brighter is judged
over bands in which it was never heard.

With its levels back, every layer has the third-octave levels that it has in the reference: what is
left of a gain then comes of place alone.

    python -m tests.outside RUN...     # runs of placer search --stems

`judged`: a folder of placed stems. `of_folder`: the held figure alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import butter, sosfilt

CENTRES = 1000.0 * 2.0 ** (np.arange(-12, 7) / 3.0)
"""62.5 Hz to 4 kHz, Hz."""

CELL_SECONDS, FINE_SECONDS = 0.125, 0.005
RANGE_DB = 25.0

RISE = 10 ** (6.0 / 10.0)
"""By how much a layer begins, as a ratio of energies."""

BEFORE, AFTER, MASKING = 10, 6, 20
"""Frames of 5 ms: that a rise is judged against, that an attack lasts, that hide what follows."""


def frames_of(samples: np.ndarray, sample_rate: int, seconds: float) -> np.ndarray:
    """Mean square of (channel, frame) sound in pieces of so many seconds: (channel, piece)."""
    width = round(seconds * sample_rate)
    count = samples.shape[-1] // width
    found: np.ndarray = np.square(samples[:, : count * width]).reshape(-1, count, width).mean(-1)
    return found


def third_octave(samples: np.ndarray, sample_rate: int, centre: float) -> np.ndarray:
    """One third-octave band of (channel, frame) sound."""
    edges = np.array([centre * 2 ** (-1 / 6), centre * 2 ** (1 / 6)])
    sections = butter(4, edges, "bandpass", fs=sample_rate, output="sos")
    found: np.ndarray = sosfilt(sections, samples, axis=-1)
    return found


def cells(samples: np.ndarray, sample_rate: int) -> np.ndarray:
    """Energy of (channel, frame) sound in third-octave cells: (channel, band, cell)."""
    bands = [third_octave(samples, sample_rate, centre) for centre in CENTRES]
    return np.stack([frames_of(one, sample_rate, CELL_SECONDS) for one in bands], axis=1)


def sounding(layer: np.ndarray) -> np.ndarray:
    """Cells (band, cell) in which a layer of energies (channel, band, cell) sounds."""
    total = layer.sum(axis=0)
    least = 10 ** (-RANGE_DB / 10)
    strong = total.mean(1, keepdims=True) > total.mean(1).max() * least
    found: np.ndarray = (total > total.max(axis=1, keepdims=True) * least) & strong
    return found


def beginning(layer: np.ndarray) -> np.ndarray:
    """Frames (band, frame) of 5 ms in which a layer of energies (channel, band, frame) begins."""
    total = layer.sum(axis=0)
    before = np.stack([moving_mean(one, BEFORE, 0) for one in total])
    risen = (total > RISE * before) & sounding(layer)
    first = risen.copy()
    for back in range(1, BEFORE + 1):  # one attack is one frame
        first[:, back:] &= ~risen[:, :-back]
    first[:, -AFTER:] = False
    return first


def moving_mean(values: np.ndarray, before: int, after: int) -> np.ndarray:
    """Mean of the `before` values before each of (n,) values, of itself and of those after it."""
    sums = np.concatenate([[0.0], np.cumsum(values, dtype=float)])
    number = np.arange(values.size)
    first, end = np.maximum(number - before, 0), np.minimum(number + after, values.size)
    wide = np.maximum(end - first, 1)
    return np.asarray(np.maximum(sums[end] - sums[first], 0.0) / wide)


def attack_energies(layer: np.ndarray, rest: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What an attack beginning at each frame holds, and what hides it, (channel, band, frame)."""
    own = np.apply_along_axis(moving_mean, -1, layer, 0, AFTER)
    others = np.apply_along_axis(moving_mean, -1, rest, MASKING, AFTER)
    return own, others


def stands_out_db(layer: np.ndarray, rest: np.ndarray, where: np.ndarray) -> float:
    """Mean ratio in dB of a layer's cells to the rest's, at the better channel of each band.

    `where` is what `sounding` or `beginning` gives of the layer in the reference; without any cell
    the figure is not a number.
    """
    floor = 1e-14
    ratio = 10 * np.log10((layer + floor) / (rest + floor))
    values = []
    for band in np.flatnonzero(where.any(1)):
        inside = where[band]
        better = np.argmax(ratio[:, band, inside].mean(-1))
        values.append(ratio[better, band, inside])
    return float(np.concatenate(values).mean()) if values else float("nan")


@dataclass(frozen=True, slots=True)
class Judged:
    """How far a layer stands out, dB: held, at its attacks, and both with its levels back."""

    held: float
    attacks: float
    held_back: float
    attacks_back: float


def judged(folder: Path, names: Sequence[str], reference: Path) -> dict[str, Judged]:
    """Figures of every layer of a folder of placed stems, over the cells of the reference's."""

    def read(place: Path) -> tuple[list[np.ndarray], int]:
        found = [
            soundfile.read(place / f"{name}.wav", dtype="float32", always_2d=True) for name in names
        ]
        return [sound.T for sound, _ in found], found[0][1]

    (usual, rate), (sounds, _) = read(reference), read(folder)
    kinds = ("usual", "own", "own back", "rest", "rest back")
    fine: dict[str, list[list[np.ndarray]]] = {kind: [] for kind in kinds}
    for centre in CENTRES:
        before = [third_octave(one, rate, centre).astype(np.float32) for one in usual]
        after = [third_octave(one, rate, centre).astype(np.float32) for one in sounds]
        back = []
        for one, other in zip(before, after, strict=True):
            level, now = (float(np.square(part).mean()) for part in (one, other))
            back.append(other * np.float32(np.sqrt(level / now) if now > 0.0 else 1.0))
        fine["usual"].append([frames_of(one, rate, FINE_SECONDS) for one in before])
        for kind, parts in (("", after), (" back", back)):
            mix = np.sum(parts, axis=0)
            fine["own" + kind].append([frames_of(one, rate, FINE_SECONDS) for one in parts])
            fine["rest" + kind].append([frames_of(mix - one, rate, FINE_SECONDS) for one in parts])
    found = {}
    for number, name in enumerate(names):
        layer = {
            kind: np.stack([band[number] for band in bands], 1) for kind, bands in fine.items()
        }
        wide = {kind: coarse(one) for kind, one in layer.items()}
        where, begins = sounding(wide["usual"]), beginning(layer["usual"])
        figures = []
        for kind in ("", " back"):
            own, rest = "own" + kind, "rest" + kind
            figures.append(stands_out_db(wide[own], wide[rest], where))
            attacks = attack_energies(layer[own], layer[rest])
            figures.append(stands_out_db(*attacks, begins))
        found[name] = Judged(*figures)
    return found


def coarse(fine: np.ndarray) -> np.ndarray:
    """Cells of 125 ms (channel, band, cell) of frames of 5 ms."""
    together = round(CELL_SECONDS / FINE_SECONDS)
    count = fine.shape[-1] // together
    pieces = fine[..., : count * together].reshape(*fine.shape[:-1], count, together)
    found: np.ndarray = pieces.mean(-1)
    return found


def of_folder(folder: Path, names: Sequence[str], reference: Path) -> dict[str, float]:
    """Held figure of every layer of a folder of placed stems."""
    return {name: one.held for name, one in judged(folder, names, reference).items()}


def gained(before: Judged, after: Judged) -> tuple[float, float, float, float]:
    """What a layer gains in dB: held, at attacks, and both with its levels back."""
    return (
        after.held - before.held,
        after.attacks - before.attacks,
        after.held_back - before.held_back,
        after.attacks_back - before.attacks_back,
    )


def low_weight_db(path: Path, other: Path) -> float:
    """Level of one file against another in 25 to 250 Hz, dB, both taken as they are."""
    levels = []
    for one in (path, other):
        sound, rate = soundfile.read(one, always_2d=True)
        sections = butter(4, [22.4, 282.0], "bandpass", fs=rate, output="sos")
        levels.append(10 * np.log10(np.mean(np.square(sosfilt(sections, sound.T, axis=-1)))))
    return float(levels[0] - levels[1])


def report(run: Path) -> str:
    """Before and after for every layer of a run whose stems have been placed."""
    import json

    import pyebur128

    result = json.loads((run / "result.json").read_text())
    names = [track["name"] for track in result["tracks"]]
    usual = run / "placed/00"
    usual_figures, figures = (judged(run / "placed" / one, names, usual) for one in ("00", "01"))
    gains = {n: gained(usual_figures[n], figures[n]) for n in names}
    lines = [
        f"{n:12s} {usual_figures[n].held:7.2f} -> {figures[n].held:7.2f}  {gains[n][0]:+.2f} dB, "
        f"attacks {gains[n][1]:+.2f} dB"
        for n in names
    ]
    every = np.array([gains[n] for n in names])
    hidden = np.argsort([usual_figures[n].held for n in names])[: max(1, len(names) // 4)]
    mean, worst = np.nanmean(every, axis=0), np.nanmean(every[hidden], axis=0)
    lines.append(f"mean {mean[0]:+.2f} dB; most hidden quarter {worst[0]:+.2f} dB")
    lines.append(f"attacks: mean {mean[1]:+.2f} dB; most hidden quarter {worst[1]:+.2f} dB")
    lines.append(f"with levels back: mean {mean[2]:+.2f} dB, attacks {mean[3]:+.2f} dB")
    weight = low_weight_db(run / "mix-01.wav", run / "reference.wav")
    lines.append(f"low weight 25-250 Hz {weight:+.2f} dB at equal loudness")
    for name in ("reference.wav", "mix-01.wav"):
        sound, rate = soundfile.read(run / name, always_2d=True)
        state = pyebur128.R128State(2, rate, pyebur128.MeasurementMode.MODE_I)
        state.add_frames(np.ascontiguousarray(sound).ravel(), len(sound))
        lufs = pyebur128.get_loudness_global(state)
        sides = 10 * np.log10(np.mean(np.square(sound), axis=0))
        mono = 10 * np.log10(np.mean(np.square(sound.sum(1))) / np.mean(np.square(sound)) / 2)
        lines.append(
            f"{name}: {lufs:.2f} LUFS (libebur128), left - right {sides[0] - sides[1]:+.2f} dB, "
            f"mono {mono:+.2f} dB"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    import sys

    for argument in sys.argv[1:]:
        sys.stdout.write(f"{argument}\n{report(Path(argument))}\n")
