"""Does a test die when one sign of a formula is turned? Run by hand; prints a Markdown table.

    python -m tests.hard.mutations                  all of them, some minutes
    python -m tests.hard.mutations sim/air.py 17    those of a file, or by number

Each mutation is tried in a copy of the tree, so the work under way is not touched. A survivor is a
formula that no test holds.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

TREE = Path(__file__).resolve().parents[2]
LEFT_OUT = shutil.ignore_patterns(".git", "__pycache__", "*.wav", ".venv", "*_cache")
PATIENCE = 400.0
"""Seconds a test file may take; one that hangs has noticed as well."""


class Mutation(NamedTuple):
    """A place in the tree that occurs once, what it becomes, and the test file that must fail."""

    file: str
    old: str
    new: str
    tests: str


AIR, BANDS, ROOMS = "tests/sim/test_air.py", "tests/sim/test_bands.py", "tests/sim/test_room.py"
TERMS, HEARD = "tests/placer/test_cost_terms.py", "tests/placer/test_cost_audibility.py"
WHOLE, KERNEL = "tests/placer/test_cost_objective.py", "tests/placer/test_cost_kernel.py"
LOUD, LAYOUT = "tests/placer/test_loudness.py", "tests/placer/test_placement_layout.py"
PARAMETERS, EARS = "tests/sim/test_parameters.py", "tests/sim/test_ears.py"
MICS, ARRIVE = "tests/sim/test_microphones.py", "tests/sim/test_reflections.py"
ALIKE, SEAT = "tests/sim/test_coherence.py", "tests/sim/test_source.py"
DECAYS, IMAGES, TAIL = (
    "tests/sim/test_decay.py",
    "tests/sim/test_images.py",
    "tests/sim/test_tail.py",
)
RISES = "tests/placer/test_cost_attacks.py"
COLOUR, TIMES = "tests/sim/test_filters.py", "tests/sim/test_reverberation.py"

MUTATIONS: tuple[Mutation, ...] = tuple(
    Mutation(*one)
    for one in (
        ("sim/air.py", "temperature + ZERO_CELSIUS) / REF",
         "temperature - ZERO_CELSIUS) / REF", AIR),
        ("sim/air.py", "** 1.261 + 4.6151", "** 1.261 - 4.6151", AIR),
        ("sim/air.py", "(0.02 + vapour)", "(0.02 - vapour)", AIR),
        ("sim/air.py", "(0.391 + vapour)", "(0.391 - vapour)", AIR),
        ("sim/air.py", "(ratio ** (-1.0 / 3.0) - 1.0)", "(ratio ** (-1.0 / 3.0) + 1.0)", AIR),
        ("sim/air.py", "ratio**-2.5", "ratio**2.5", AIR),
        ("sim/air.py", "np.exp(-3352.0", "np.exp(3352.0", AIR),
        ("sim/decibel.py", "np.asarray(gain_db) / 20.0", "np.asarray(gain_db) / -20.0", BANDS),
        ("sim/decibel.py", "return 10.0 * np.log10", "return -10.0 * np.log10", BANDS),
        ("sim/bands.py", "24.7 * (4.37e-3 * np.asarray(frequency) + 1.0)",
         "24.7 * (4.37e-3 * np.asarray(frequency) - 1.0)", BANDS),
        ("sim/bands.py", "np.log10(4.37e-3 * np.asarray(frequency) + 1.0)",
         "np.log10(4.37e-3 * np.asarray(frequency) + 2.0)", BANDS),
        ("sim/bands.py", "21.4) - 1.0) / 4.37e-3", "21.4) + 1.0) / 4.37e-3", BANDS),
        ("sim/bands.py", "10 ** (-1 / 20)", "10 ** (1 / 20)", BANDS),
        ("sim/bands.py", "(1.0 + p * g) * np.exp", "(1.0 - p * g) * np.exp", BANDS),
        ("sim/bands.py", "frequencies + half)", "frequencies - half)", BANDS),
        ("sim/coherence.py", "np.square(1.0 - pattern) / 3.0", "np.square(1.0 + pattern) / 3.0",
         ALIKE),
        ("sim/coherence.py", "- (along * beside)", "+ (along * beside)", ALIKE),
        ("sim/coherence.py", "+ pattern[None, :] * along)", "- pattern[None, :] * along)", ALIKE),
        ("sim/coherence.py", "(zeroth + second)", "(zeroth - second)", ALIKE),
        ("sim/decay.py", "loss = total * got / wanted", "loss = total / got * wanted", DECAYS),
        ("sim/decay.py", "walls + room.sound_speed", "walls - room.sound_speed", DECAYS),
        ("sim/decay.py", "np.exp(-rate * (np.asarray", "np.exp(rate * (np.asarray", DECAYS),
        ("sim/decay.py", "(slope**2 + np.square(rate))", "(slope**2 - np.square(rate))", DECAYS),
        ("sim/decay.py", "[:, None] + EARLY))", "[:, None] - EARLY))",
         DECAYS),
        ("sim/reverberation.py", "-np.log1p(-absorption)", "np.log1p(absorption)", TIMES),
        ("sim/reverberation.py", "area * absorption + 4.0", "area * absorption - 4.0", TIMES),
        ("sim/reverberation.py", "(speed * time) - 4.0", "(speed * time) + 4.0", TIMES),
        ("sim/directivity.py", "flat = -position[:2]", "flat = position[:2]", SEAT),
        ("sim/directivity.py", "np.sin(elevation)])", "-np.sin(elevation)])", SEAT),
        ("sim/directivity.py", "squared / (1.0 + squared)", "squared / (1.0 - squared)", SEAT),
        ("sim/directivity.py", "np.square(1.0 - 0.5 * shade)", "np.square(1.0 + 0.5 * shade)",
         SEAT),
        ("sim/directivity.py", "+ np.square(0.5 * shade) / 3.0", "- np.square(0.5 * shade) / 3.0",
         SEAT),
        ("sim/source.py", "np.stack([-steps, steps]", "np.stack([steps, steps]", SEAT),
        ("sim/source.py", "(1.0 - outer)[None]", "(1.0 + outer)[None]", SEAT),
        ("sim/source.py", "(1.0 - ALL_PASS**2)", "(1.0 + ALL_PASS**2)", SEAT),
        ("sim/source.py", "np.power(-ALL_PASS,", "np.power(ALL_PASS,", SEAT),
        ("sim/ears.py", "(-1j) ** (m - 1)", "(1j) ** (m - 1)", EARS),
        ("sim/ears.py", "a * np.conj(b), c * np.conj(d)", "b * np.conj(a), c * np.conj(d)", EARS),
        ("sim/ears.py", "2.0 * left.real, -2.0 * left.imag", "2.0 * left.real, 2.0 * left.imag",
         EARS),
        ("sim/ears.py", "(other - own).imag", "(other + own).imag", EARS),
        ("sim/ears.py", "(own - other).real", "(own + other).real", EARS),
        ("sim/ears.py", "np.sin(SPEAKER_ANGLE) - aside", "np.sin(SPEAKER_ANGLE) + aside", EARS),
        ("sim/ears.py", "np.pi / 2.0 + ear * azimuth", "np.pi / 2.0 - ear * azimuth", EARS),
        ("sim/ears.py", "-2j * np.pi * frequency", "2j * np.pi * frequency", EARS),
        ("sim/filters.py", "metre = -0.5 * attenuation", "metre = 0.5 * attenuation", COLOUR),
        ("sim/filters.py", "(p - 1.0) / (1.0 + p)", "(p + 1.0) / (1.0 + p)", COLOUR),
        ("sim/filters.py", "fourth / (1.0 + fourth)", "fourth / (1.0 - fourth)", COLOUR),
        ("sim/filters.py", "[1.0 / scale, -2.0 / scale,", "[1.0 / scale, 2.0 / scale,", COLOUR),
        ("sim/filters.py", "(1.0 - np.sqrt(2.0) * k + k * k)", "(1.0 + np.sqrt(2.0) * k + k * k)",
         COLOUR),
        ("sim/images.py", "indices % 2 == 0, 1.0, -1.0", "indices % 2 == 0, -1.0, 1.0", IMAGES),
        ("sim/images.py", "(indices + (indices % 2))", "(indices - (indices % 2))", IMAGES),
        ("sim/images.py", "np.abs(indices) - 1, 0)", "np.abs(indices) + 1, 0)", IMAGES),
        ("sim/microphones.py", "_aimed(0.0, -self.tilt_deg)", "_aimed(0.0, self.tilt_deg)", MICS),
        ("sim/microphones.py", "self.y + self.forward", "self.y - self.forward", MICS),
        ("sim/microphones.py", "_aimed(side * self.aim_deg", "_aimed(-side * self.aim_deg", MICS),
        ("sim/microphones.py", "distance**2 - rise**2", "distance**2 + rise**2", MICS),
        ("sim/microphones.py", "(-x / radius, -y / radius)", "(x / radius, y / radius)", MICS),
        ("sim/microphones.py", "(-1.0 if x < 0.0 else 1.0)", "(1.0 if x < 0.0 else -1.0)", MICS),
        ("sim/microphones.py", "aim = (-offset[0], -offset[1]", "aim = (offset[0], -offset[1]",
         MICS),
        ("sim/parameters.py", "10.0 ** (-ONSET_DB / 20.0)", "10.0 ** (-ONSET_DB / 2.0)",
         PARAMETERS),
        ("sim/parameters.py", "/ sample_rate - start", "/ sample_rate + start", PARAMETERS),
        ("sim/parameters.py", "squared - squared[..., noise_from:]",
         "squared + squared[..., noise_from:]", PARAMETERS),
        ("sim/parameters.py", "float(-60.0 / slope)", "float(60.0 / slope)", PARAMETERS),
        ("sim/parameters.py", "energy_db(early) - energy_db(", "energy_db(early) + energy_db(",
         PARAMETERS),
        ("sim/parameters.py", "since, -LEAD, 0.080)", "since, LEAD, 0.080)", PARAMETERS),
        ("sim/reflections.py", "(after - EARLY) / HANDOVER", "(after + EARLY) / HANDOVER", ARRIVE),
        ("sim/reflections.py", "0.5 * (1.0 - np.sin(0.5", "0.5 * (1.0 + np.sin(0.5", ARRIVE),
        ("sim/reflections.py", "images.signs * points[:, None, :] + images",
         "images.signs * points[:, None, :] - images", ARRIVE),
        ("sim/reflections.py", "leaving = -images", "leaving = images", ARRIVE),
        ("sim/reflections.py", "(1.0 - pattern) * np.sum", "(1.0 + pattern) * np.sum", ARRIVE),
        ("sim/reflections.py", "0.5 * (1.0 - leaving @", "0.5 * (1.0 + leaving @", ARRIVE),
        ("sim/reflections.py", "ends[:, 1] - ends[:, 0]", "ends[:, 0] - ends[:, 1]", ARRIVE),
        ("sim/tail.py", "np.exp(-0.5 * decay * moment)", "np.exp(0.5 * decay * moment)", TAIL),
        ("sim/tail.py", "frames.rate - frames.common", "frames.rate + frames.common", TAIL),
        ("sim/tail.py", "moment[:count] - self", "moment[:count] + self", TAIL),
        ("placer/cost/audibility.py", "1.0 - 0.5 * mean - 0.5", "1.0 - 0.5 * mean + 0.5", HEARD),
        ("placer/cost/audibility.py", "hidden + float(", "hidden - float(", WHOLE),
        ("placer/cost/audibility.py", "= whole.sum(0) - whole", "= whole.sum(0)", HEARD),
        ("placer/cost/audibility.py", "1.0 - scene.articulation", "1.0 + scene.articulation",
         HEARD),
        ("placer/cost/audibility.py", "noise[:, 0] > signal[:, 0]", "noise[:, 0] < signal[:, 0]",
         HEARD),
        ("placer/cost/audibility.py", "for head in scene.heads[number]\n",
         "for head in scene.heads[number][:1]\n", HEARD),
        ("placer/cost/binaural.py", "(1.0 + SIGMA_GAIN**2)", "(1.0 - SIGMA_GAIN**2)", HEARD),
        ("placer/cost/formulas.py", "(one + other) - _TWO", "(one + other) + _TWO", HEARD),
        ("placer/cost/formulas.py", "t_re * m_re + t_im", "t_re * m_re - t_im", HEARD),
        ("placer/cost/formulas.py", "limit - smaller(", "limit + smaller(", HEARD),
        ("placer/cost/formulas.py", "larger(ONE - _FORGIVEN", "larger(ONE + _FORGIVEN", HEARD),
        ("placer/cost/formulas.py", "_WHOLE * signal + noise", "_WHOLE * signal - noise", HEARD),
        ("placer/cost/formulas.py", "1e-6) - 1.0 - CEILING", "1e-6) - 1.0 + CEILING", HEARD),
        ("placer/cost/formulas.py", "before - margin - free_db", "before - margin + free_db",
         WHOLE),
        ("placer/cost/formulas.py", "1.0 - steps * steps", "1.0 + steps * steps", TERMS),
        ("placer/cost/formulas.py", "common / (1.0 + common)", "common / (1.0 - common)", TERMS),
        ("placer/cost/formulas.py", "(now + floor) / (then + floor)",
         "(then + floor) / (now + floor)", TERMS),
        ("placer/cost/formulas.py", "abs(now_db) - abs(then_db)", "abs(now_db) + abs(then_db)",
         TERMS),
        ("placer/cost/formulas.py", "then_db - now_db - FOLD", "now_db - then_db - FOLD", TERMS),
        ("placer/cost/formulas.py", "abs(change) - LOW_FREE_DB", "abs(change) + LOW_FREE_DB",
         TERMS),
        ("placer/cost/formulas.py", "missing_lu - decibel", "missing_lu + decibel", WHOLE),
        ("placer/cost/definition.py", "(share - forgiven)", "(share + forgiven)", TERMS),
        ("placer/cost/definition.py", "FORGIVEN_RATIO / (1.0 + FORG",
         "FORGIVEN_RATIO / (1.0 - FORG", TERMS),
        ("placer/cost/overlap.py", "drr_db[:, None] - where", "drr_db[:, None] + where", TERMS),
        ("placer/cost/overlap.py", "(1.0 - SIDE_LOW) * below", "(1.0 + SIDE_LOW) * below", TERMS),
        ("placer/cost/mix_terms.py",
         "wanted - (lufs - peak_dbtp)", "wanted - (lufs + peak_dbtp)",
         TERMS),
        ("placer/cost/low_weight.py", "1.0 + below /", "1.0 - below /", TERMS),
        ("placer/cost/mix_terms.py", "np.maximum(-gain_db, 0.0)", "np.maximum(gain_db, 0.0)",
         TERMS),
        ("placer/cost/mix_terms.py", "0.5 * tracks + 0.25", "0.5 * tracks - 0.25", TERMS),
        ("placer/cost/perceived_place.py", "(b - a) /", "(a - b) /", TERMS),
        ("placer/cost/perceived_place.py",
         "power + 2.0 * covariance", "power - 2.0 * covariance", TERMS),
        ("placer/cost/perceived_place.py",
         "early.sum(1) - direct + room", "early.sum(1) + room", TERMS),
        ("placer/cost/place_only.py", "reference / np.where(sounds, energies, 1.0)",
         "np.where(sounds, energies, 1.0) / np.maximum(reference, 1e-30)", TERMS),
        ("placer/cost/tone.py", "np.abs(change - (shares", "np.abs(change + (shares", TERMS),
        ("placer/cost/attacks.py", "(REACH - np.log10(", "(REACH + np.log10(", RISES),
        ("placer/cost/attacks.py", "energy - remaining(energy)", "energy + remaining(energy)",
         RISES),
        ("placer/cost/attacks.py", "(masking - first)", "(first - masking)", RISES),
        ("placer/cost/track_figures.py", "beyond(-figures[\"late", "beyond(figures[\"late", TERMS),
        ("placer/cost/limits.py", "factor * before + points", "factor * before - points", TERMS),
        ("placer/cost/track_figures.py", "trim_db + LOUDNESS_SLACK", "trim_db - LOUDNESS_SLACK",
         TERMS),
        ("placer/cost/limits.py", "beyond(abs(now.drr_change_db), ",
         "beyond(-abs(now.drr_change_db), ",
         TERMS),
        ("placer/cost/whole.py", "left + right + 2.0 * cross, 0.0)",
         "left + right - 2.0 * cross, 0.0)",
         TERMS),
        ("placer/cost/objective.py", "total=weighted + PENALTY", "total=weighted - PENALTY", WHOLE),
        ("placer/cost/objective.py", "1.0 - heard.share", "1.0 + heard.share", WHOLE),
        ("placer/cost/kernel_mix.py", "sides[t] - sides[s]", "sides[t] + sides[s]", KERNEL),
        ("placer/cost/kernel_mix.py", "unheard -= 0.5 * share[t]", "unheard += 0.5 * share[t]",
         KERNEL),
        ("placer/cost/kernel.py", "128 + i] - inside)", "128 + i] + inside)", KERNEL),
        ("placer/cost/kernel_moves.py", "down, up, out = -k", "down, up, out = k", KERNEL),
        ("placer/audio/loudness.py", "OFFSET_DB = -0.691", "OFFSET_DB = 0.691", LOUD),
        ("placer/audio/loudness.py", "RELATIVE_GATE_LU = -70.0, -10.0",
         "RELATIVE_GATE_LU = -70.0, 10.0",
         LOUD),
        ("placer/audio/loudness.py", "ABSOLUTE_GATE_LUFS - OFFSET_DB", "ABSOLUTE_GATE_LUFS - 20.0",
         LOUD),
        ("placer/audio/loudness.py", "energy(levels).mean())) + RANGE",
         "energy(levels).mean())) - RANGE",
         LOUD),
        ("placer/audio/loudness.py", "float(high - low)", "float(high + low)", LOUD),
        ("placer/audio/k_weighting.py", "(high - corner * k / SHELF_Q",
         "(high + corner * k / SHELF_Q",
         LOUD),
        ("placer/audio/k_weighting.py", "2 * (k * k - high) / a0", "2 * (k * k + high) / a0", LOUD),
        ("placer/audio/k_weighting.py", "(1 - k / PASS_Q + k * k) / a0",
         "(1 + k / PASS_Q + k * k) / a0",
         LOUD),
        ("placer/audio/weigh.py", "b1 * x - a1 * s + p1", "b1 * x + a1 * s + p1", LOUD),
        ("placer/audio/weigh.py", "c2 * t - d2 * y", "c2 * t + d2 * y", LOUD),
        ("placer/placement/layout.py", "np.asarray(pan) + 1.0)", "np.asarray(pan) - 1.0)", LAYOUT),
        ("placer/placement/layout.py", "return np.cos(angle), np.sin(angle)",
         "return np.sin(angle), np.cos(angle)", LAYOUT),
        ("placer/placement/layout.py", "same, other = 0.5 * (1.0 + width)",
         "same, other = 0.5 * (1.0 - width)",
         LAYOUT),
        ("placer/placement/layout.py", "        - left[..., columns[strict]]",
         "        + left[..., columns[strict]]", LAYOUT),
        ("placer/placement/layout.py", "columns] + a[..., columns]", "columns] - a[..., columns]",
         LAYOUT),
    )
)  # fmt: skip


def tried(mutation: Mutation, tree: Path) -> tuple[str, str]:
    """Whether the test file notices in a copy of the tree, and by which test."""
    path = tree / mutation.file
    text = path.read_text(encoding="utf-8")
    if text.count(mutation.old) != 1:
        return "not found", f"occurs {text.count(mutation.old)} times"
    path.write_text(text.replace(mutation.old, mutation.new), encoding="utf-8")
    measured = Path(tempfile.mkdtemp(prefix="measured-", dir=tree.parent))
    given = os.environ | {"PYTHONPATH": str(tree), "PLACER_CACHE": str(measured)}
    try:
        command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--tb=no"]
        done = subprocess.run(
            [*command, mutation.tests], cwd=tree, env=given, capture_output=True, text=True,
            timeout=PATIENCE, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return "killed", "out of time"
    finally:
        path.write_text(text, encoding="utf-8")
        shutil.rmtree(measured)
    if done.returncode == 0:
        return "SURVIVED", ""
    failed = [line for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
    if not failed:
        return "no answer", " ".join((done.stdout + done.stderr).split())[-200:]
    return "killed", failed[0].split("::")[-1].split(" - ")[0]


def wanted(words: Sequence[str]) -> Iterator[tuple[int, Mutation]]:
    """Number and mutation of those that any of the words names; all without words."""
    for number, mutation in enumerate(MUTATIONS, 1):
        if not words or str(number) in words or any(word in mutation.file for word in words):
            yield number, mutation


def _say(line: str) -> None:
    print(line, flush=True)  # noqa: T201


def main(words: Sequence[str]) -> int:
    """Try them; 1 if any survives."""
    _say("| # | file | formula | becomes | test file | outcome | noticed by |")
    _say("| --- | --- | --- | --- | --- | --- | --- |")
    outcomes: list[str] = []
    begun = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="mutations-") as place:
        tree = Path(place) / "tree"
        shutil.copytree(TREE, tree, ignore=LEFT_OUT)
        for number, mutation in wanted(words):
            outcome, by = tried(mutation, tree)
            outcomes.append(outcome)
            old, new = (f"`{' '.join(t.split())}`" for t in (mutation.old, mutation.new))
            tests = Path(mutation.tests).name
            cells = (str(number), mutation.file, old, new, tests, outcome, by)
            _say(f"| {' | '.join(cells)} |")
    killed = outcomes.count("killed")
    _say(f"\n{killed} of {len(outcomes)} killed, in {time.monotonic() - begun:.0f} s")
    return 0 if killed == len(outcomes) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
