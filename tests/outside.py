"""A figure outside the cost: how far one layer stands out of the rest, in third-octave cells.

Nothing here uses the project's own bands, cost or ears: third-octave Butterworth bands
(IEC 61260-1 centres, scipy), cells of 125 ms, the ratio of the layer's energy to that of
everything else at the better of the two channels of a band, averaged in dB over the cells in which
the layer sounds (within 25 dB of its strongest cell of the band, in bands within 25 dB of its
strongest). Which cells these are is told by the layer in the reference, for every mix: else a layer
that gets a little brighter is judged over bands in which it was never heard.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import butter, sosfilt

CENTRES = 1000.0 * 2.0 ** (np.arange(-12, 7) / 3.0)
"""62.5 Hz to 4 kHz, Hz."""

CELL_SECONDS = 0.125
RANGE_DB = 25.0


def cells(samples: np.ndarray, sample_rate: int) -> np.ndarray:
    """Energy of (channel, frame) sound in third-octave cells: (channel, band, cell)."""
    width = round(CELL_SECONDS * sample_rate)
    count = samples.shape[-1] // width
    result = []
    for centre in CENTRES:
        edges = np.array([centre * 2 ** (-1 / 6), centre * 2 ** (1 / 6)])
        sections = butter(4, edges, "bandpass", fs=sample_rate, output="sos")
        filtered = sosfilt(sections, samples, axis=-1)[:, : count * width]
        result.append(np.square(filtered).reshape(samples.shape[0], count, width).mean(-1))
    return np.stack(result, axis=1)


def sounding(layer: np.ndarray) -> np.ndarray:
    """Cells (band, cell) in which a layer of energies (channel, band, cell) is judged."""
    total = layer.sum(axis=0)
    least = 10 ** (-RANGE_DB / 10)
    strong = total.mean(1) > total.mean(1).max() * least
    return (total > total.max(axis=1, keepdims=True) * least) & strong[:, None]


def stands_out_db(layer: np.ndarray, rest: np.ndarray, where: np.ndarray) -> float:
    """Mean ratio in dB of a layer's cells to the rest's, at the better channel of each band.

    `where` is what `sounding` gives of the layer in the reference.
    """
    floor = 1e-14
    ratio = 10 * np.log10((layer + floor) / (rest + floor))
    values = []
    for band in np.flatnonzero(where.any(1)):
        inside = where[band]
        better = np.argmax(ratio[:, band, inside].mean(-1))
        values.append(ratio[better, band, inside])
    return float(np.concatenate(values).mean())


def of_folder(folder: Path, names: Sequence[str], reference: Path) -> dict[str, float]:
    """Figure of every layer of a folder of placed stems, over the cells of the reference's."""

    def read(place: Path, name: str) -> tuple[np.ndarray, int]:
        sound, rate = soundfile.read(place / f"{name}.wav", dtype="float32", always_2d=True)
        return sound.T, rate

    sounds = {name: read(folder, name)[0] for name in names}
    mix = np.sum(list(sounds.values()), axis=0)
    found = {}
    for name, sound in sounds.items():
        usual, rate = read(reference, name)
        layer, rest = cells(sound, rate), cells(mix - sound, rate)
        found[name] = stands_out_db(layer, rest, sounding(cells(usual, rate)))
    return found


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
    before, after = (of_folder(run / "placed" / one, names, usual) for one in ("00", "01"))
    lines = [
        f"{n:12s} {before[n]:7.2f} -> {after[n]:7.2f}  {after[n] - before[n]:+.2f} dB"
        for n in names
    ]
    gains = np.array([after[n] - before[n] for n in names])
    hidden = np.argsort([before[n] for n in names])[: max(1, len(names) // 4)]
    lines.append(f"mean {gains.mean():+.2f} dB; most hidden quarter {gains[hidden].mean():+.2f} dB")
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
