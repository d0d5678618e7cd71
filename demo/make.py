"""Write the demo: stems and cue files of an invented, dense orchestral cue.

    python demo/make.py                        # both variants, 30 s, into demo/out
    python demo/make.py --seconds 10 --variant dry

Then, for instance, `placer search demo/out/dry.toml`. The same arguments give the same bytes.
Start listening at a low level: the cue is dense and loud, and long loud listening harms the ear;
your local rules on noise exposure apply.

*Conventions*: 24-bit WAV at 48 kHz; `OUT/dry/PART.wav`, `OUT/recorded/PART_POSITION.wav`; the cue
files beside them name the stems relative to themselves.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

HERE = Path(__file__).resolve().parent
if __name__ == "__main__":
    sys.path.insert(0, str(HERE.parent))  # runs from a fresh clone, installed or not

from demo.orchestra import stem  # noqa: E402
from demo.recorded import RECORDINGS, record  # noqa: E402
from demo.score import score  # noqa: E402
from demo.tone import SAMPLE_RATE  # noqa: E402

FloatArray = NDArray[np.floating[Any]]

SHORTEST, LONGEST = 2.0, 30.0
"""Allowed length in s: every part has sounded by 2 s, and the music ends at 30 s."""

VARIANTS = ("dry", "recorded")


def _write(path: Path, audio: FloatArray) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, audio.T, SAMPLE_RATE, subtype="PCM_24")


def _write_cue(variant: str, out: Path) -> Path:
    """Copy a cue file beside its stems: in `demo/` it names them `out/...`, there without."""
    text = (HERE / f"{variant}.toml").read_text(encoding="utf-8")
    path = out / f"{variant}.toml"
    path.write_text(text.replace('"out/', '"'), encoding="utf-8")
    return path


def make(
    out: Path, *, seconds: float = LONGEST, variants: tuple[str, ...] = VARIANTS
) -> tuple[Path, ...]:
    """Write stems and cue files.

    Parameters
    ----------
    out : Path
        Folder; made where it is missing, files of the same names are replaced.
    seconds : float
        Length of the stems, `SHORTEST` to `LONGEST`.
    variants : tuple[str, ...]
        Some of `VARIANTS`.

    Returns
    -------
    tuple[Path, ...]
        The cue file of each variant.

    Raises
    ------
    ValueError
        If `seconds` is out of range.
    """
    if not SHORTEST <= seconds <= LONGEST:
        raise ValueError(f"seconds = {seconds:g}; allowed is {SHORTEST:g} to {LONGEST:g}")
    for seed, (name, notes) in enumerate(score(seconds).items()):
        dry = stem(name, notes, seconds)
        if "dry" in variants:
            _write(out / "dry" / f"{name}.wav", dry)
        if "recorded" in variants:
            for position, audio in record(dry, RECORDINGS[name], seed=seed).items():
                suffix = f"_{position}" if position else ""
                _write(out / "recorded" / f"{name}{suffix}.wav", audio)
    return tuple(_write_cue(variant, out) for variant in variants)


def main() -> None:
    """Read the command line and write the demo."""
    parser = argparse.ArgumentParser(description="Write the stems and cue files of the demo cue.")
    parser.add_argument("--out", type=Path, default=HERE / "out", help="folder (default: demo/out)")
    parser.add_argument(
        "--seconds", type=float, default=LONGEST, help=f"{SHORTEST:g} to {LONGEST:g} (default: 30)"
    )
    parser.add_argument("--variant", choices=(*VARIANTS, "both"), default="both")
    chosen = parser.parse_args()
    variants = VARIANTS if chosen.variant == "both" else (chosen.variant,)
    try:
        cues = make(chosen.out, seconds=chosen.seconds, variants=variants)
    except (ValueError, OSError) as problem:
        parser.error(str(problem))
    for cue in cues:
        print(f"wrote {cue}: listen at a low level first; try  placer search {cue}")


if __name__ == "__main__":
    main()
