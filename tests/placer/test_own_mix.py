"""The composer's own mix takes part in everything that is listened to, as loud as the others.

Loudness and true peak are checked with libebur128 (pyebur128), an outside meter of BS.1770.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyebur128
import pytest
import soundfile

from placer.audio.files import read_stem
from placer.check import check
from placer.cli import main
from placer.cue.read import read_cue
from placer.errors import CueError
from placer.pipeline import SearchOrder, render_again, search
from placer.progress import Quiet
from placer.result.folder import open_run
from placer.result.listening_page import ListeningPage
from placer.result.own_mix import render_own_mix
from placer.result.record import read_record
from placer.result.votes import learn
from placer.run import mix_distance as distance
from placer.run.mix_distance import MixDistance, distance_lines, mix_distance
from placer.run.ready import cue_hash
from tests.conftest import shorten
from tests.placer.small_cue import RATE, sound_of, write_cue

SECONDS = 5.0


def with_own(folder: Path, sound: np.ndarray, rate: int = 44100, subtype: str = "FLOAT") -> Path:
    """The small cue with a mix of one's own."""
    path = write_cue(folder)
    soundfile.write(folder / "my mix.wav", sound.T, rate, subtype)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[cue]\n", '[cue]\ncompare = "my mix.wav"\n'), encoding="utf-8")
    return path


def noise(seconds: float, rate: int = 44100, channels: int = 2) -> np.ndarray:
    """Louder than anything: noise with peaks."""
    rng = np.random.default_rng(8)
    return 0.2 * rng.standard_normal((channels, round(seconds * rate)))


@pytest.fixture(scope="module")
def own_cue(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short search of the small cue with a mix of one's own; a test may change what it copies."""
    path = with_own(tmp_path_factory.mktemp("own"), noise(SECONDS))
    with pytest.MonkeyPatch.context() as patch:
        shorten(patch)
        search(SearchOrder(cue=path, trials=1), Quiet())
    return path


def folder_of(cue: Path) -> Path:
    """Run folder of a cue."""
    return cue.with_name(f"{cue.stem}-run")


def test_it_is_one_more_file_as_loud_as_the_others(own_cue: Path) -> None:
    """Loudness, ceiling, length and format of the others; named in the result and the sheet."""
    run = folder_of(own_cue)
    result = open_run(run).read_result()
    own = result.compare
    assert (own.rank, own.file, own.source) == (-1, "compare.wav", "my mix.wav")
    facts = [soundfile.info(run / name) for name in ("compare.wav", "reference.wav")]
    assert facts[0].frames == facts[1].frames
    assert facts[0].subtype == facts[1].subtype == "PCM_24"
    sound = sound_of(run / "compare.wav")
    mode = pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_TRUE_PEAK
    state = pyebur128.R128State(2, RATE, mode)
    state.add_frames(np.ascontiguousarray(sound.T).ravel(), sound.shape[1])
    assert pyebur128.get_loudness_global(state) == pytest.approx(-23.0, abs=0.05)
    assert own.lufs == pytest.approx(-23.0, abs=1e-3)
    peak = 20 * np.log10(max(pyebur128.get_true_peak(state, channel) for channel in (0, 1)))
    assert own.true_peak_dbtp == pytest.approx(peak, abs=0.1)
    assert "your own mix (my mix.wav) lies beside it as compare.wav, at -23.0 LUFS" in (
        run / "moves-01.md"
    ).read_text(encoding="utf-8")
    assert "Your mix" in (run / "report.html").read_text(encoding="utf-8")


def test_nothing_but_a_gain_is_done_to_it(tmp_path: Path) -> None:
    """Sample for sample the file, until it is faded out where the others end; the ceiling holds."""
    sound = noise(SECONDS, RATE)
    sound[:, 1000] = 20.0  # a peak that the ceiling forbids at the target
    cue = read_cue(with_own(tmp_path, sound, RATE))
    own = render_own_mix(cue, tmp_path / "compare.wav")
    assert own is not None
    assert own.true_peak_dbtp == pytest.approx(-1.0, abs=0.01)
    assert own.missed_lu > 1.0
    written = sound_of(tmp_path / "compare.wav")
    plain = written.shape[1] - RATE // 10
    gain = 10.0 ** (own.gain_db / 20.0)
    np.testing.assert_allclose(written[:, :plain], gain * sound[:, :plain], rtol=1e-4, atol=1e-6)
    assert np.abs(written[:, -10:]).max() < 1e-3 * np.abs(written).max()


def test_a_mono_mix_is_heard_from_both_sides(tmp_path: Path) -> None:
    """And one that ends with the stems is silent in the room's tail."""
    cue = read_cue(with_own(tmp_path, noise(3.0, RATE, 1), RATE))
    assert render_own_mix(cue, tmp_path / "compare.wav") is not None
    written = sound_of(tmp_path / "compare.wav")
    np.testing.assert_array_equal(written[0], written[1])
    assert not written[:, 3 * RATE :].any()


def test_it_takes_part_in_the_blind_comparison(own_cue: Path) -> None:
    """Dealt a letter like the others; chosen, it is kept; weights learn from the others only."""
    run = folder_of(own_cue)
    answers = ListeningPage(run)
    ranks = [0, *(mix.rank for mix in answers.result.mixes), -1]
    asked = answers.post("/rounds", {})
    heard = [answers.listening.rank_of(token) for token in asked["tokens"]]
    assert sorted(heard) == sorted(ranks)  # type: ignore[type-var]
    letter = "ABCDEFG"[heard.index(-1)]
    token = asked["tokens"][heard.index(-1)]
    assert answers.audio(token) == (run / "compare.wav", answers.gains[-1])
    # while one track is in focus it is heard whole: it has no stems
    assert answers.audio(f"{token}/1") == (run / "compare.wav", answers.gains[-1])
    details = {"passage": [0.0, 1.0], "note": ""}
    found = answers.post(
        "/votes", {"kind": "blind", "round": asked["round"], "chosen": letter, **details}
    )
    assert found["order"] == heard
    record = read_record(run, answers.result)
    assert record.votes[-1].chosen == -1
    assert learn([(answers.result, record.votes)]).votes == 0
    # the reference preferred to a mix and to one's own: that much is learned
    again = answers.post("/rounds", {})
    heard = [answers.listening.rank_of(token) for token in again["tokens"]]
    vote = {"kind": "blind", "round": again["round"], "chosen": "ABCDEFG"[heard.index(0)]}
    answers.post("/votes", vote | details)
    record = read_record(run, answers.result)
    assert learn([(answers.result, record.votes)]).votes == (len(ranks) > 2)
    page = answers.page("nonce")
    assert page.count("Your mix") >= 3  # offered to hear, and in both lists of the ABX test
    (run / "votes.json").unlink()


def test_it_is_no_part_of_the_search(own_cue: Path) -> None:
    """Another mix of one's own leaves the trials as they are."""
    with_it = read_cue(own_cue)
    assert with_it.compare == own_cue.parent / "my mix.wav"
    assert cue_hash(replace(with_it, compare=None)) == cue_hash(with_it)


def test_it_comes_back_when_rendered_again(own_cue: Path) -> None:
    """The same bytes; but not from another file under its name."""
    run = folder_of(own_cue)
    kept = (run / "compare.wav").read_bytes()
    (run / "compare.wav").unlink()
    render_again(run, 1, stems=False, screen=Quiet())
    assert not (run / "compare.wav").exists()
    render_again(run, None, stems=False, screen=Quiet())
    assert (run / "compare.wav").read_bytes() == kept
    before = (own_cue.parent / "my mix.wav").read_bytes()
    soundfile.write(own_cue.parent / "my mix.wav", noise(4.0).T, 44100)
    with pytest.raises(CueError, match=r"cue\.compare = 'my mix\.wav' has changed since this run"):
        render_again(run, None, stems=False, screen=Quiet())
    (own_cue.parent / "my mix.wav").write_bytes(before)


@pytest.mark.parametrize("change", [{"file": "../x.wav"}, {"rank": 2}, {"lufs": "loud"}])
def test_a_damaged_record_of_it_is_refused(own_cue: Path, tmp_path: Path, change: dict) -> None:
    """As any other damage of a result."""
    result = json.loads((folder_of(own_cue) / "result.json").read_text())
    result["compare"].update(change)
    (tmp_path / "result.json").write_text(json.dumps(result))
    assert main(["listen", str(tmp_path), "--no-browser"]) == 2


def test_a_mix_that_is_too_short_is_refused_at_once(tmp_path: Path) -> None:
    """Not after the night."""
    path = with_own(tmp_path, noise(1.5))
    for command in (
        lambda: check(path, Quiet()),
        lambda: search(SearchOrder(cue=path, trials=1), Quiet()),
    ):
        with pytest.raises(CueError, match=r"is 1\.5 s long, the cue 3\.0 s; export your"):
            command()
    assert not folder_of(path).exists()
    path.write_text(path.read_text().replace("my mix.wav", "my mxi.wav"))
    with pytest.raises(CueError, match=r"compare = 'my mxi\.wav': no such file; did you mean my"):
        read_cue(path)


def test_the_reference_is_no_distance_from_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A mix made of the reference's own parts, with known changes, measures those changes."""
    path = with_own(tmp_path, noise(3.0, RATE), RATE)
    cue, span = read_cue(path), (0.2, 2.8)
    parts = [distance._placed(cue, track, span) for track in cue.tracks]
    early, late = (np.sum([part[index] for part in parts], axis=0) for index in (0, 1))
    assert late.any()

    def measured(sound: np.ndarray) -> MixDistance:
        stem = read_stem(cue.tracks[0].files[0], RATE)
        monkeypatch.setattr(distance, "read_stem", lambda *_, **__: Heard(stem, sound))
        return mix_distance(cue, span)

    same = measured(early + late)
    assert same.loudness_lu == pytest.approx(0.0, abs=0.01)
    assert same.width_db == pytest.approx(0.0, abs=0.01)
    assert same.late_db == pytest.approx(0.0, abs=1e-4)
    louder = measured(2.0 * (early + late))
    assert louder.loudness_lu == pytest.approx(6.02, abs=0.01)
    assert louder.late_db == pytest.approx(same.late_db, abs=0.1)
    wet, dry = measured(early + 3.0 * late), measured(early + 0.3 * late)
    assert wet.late_db > same.late_db + 4.0
    assert dry.late_db < same.late_db - 4.0
    whole = early + late
    middle = np.stack([whole.sum(axis=0), whole.sum(axis=0)]) / 2.0
    assert measured(middle + 0.5 * (whole - middle)).width_db == pytest.approx(-6.02, abs=0.01)


class Heard:
    """What `read_stem` gives, with other sound."""

    def __init__(self, stem: object, samples: np.ndarray) -> None:
        self.stem, self.samples = stem, samples


@pytest.mark.parametrize(
    ("found", "advice"),
    [
        (MixDistance(5.0, 1.0, -1.0), "starts close to your mix"),
        (MixDistance(0.0, 1.0, 6.0), "your mix has more room: lower close"),
        (MixDistance(0.0, 1.0, -6.0), "your mix has less room: raise close"),
        (MixDistance(0.0, 4.0, 3.0), "your mix is wider"),
        (MixDistance(0.0, -4.0, None), "your mix is narrower"),
    ],
)
def test_the_largest_difference_has_one_line_of_advice(found: MixDistance, advice: str) -> None:
    """Loudness is matched anyway, so it is told and never advised on."""
    lines = distance_lines("my.wav", found)
    assert len(lines) == 2
    assert advice in lines[1]
    assert f"{abs(found.width_db):.1f} dB" in lines[0]


def test_check_says_how_far_the_reference_lies(own_cue: Path) -> None:
    """Loudness, width and late energy with their units, then the advice."""
    lines = check(own_cue, Quiet())
    index = next(
        i for i, one in enumerate(lines) if one.startswith("your mix (my mix.wav) against")
    )
    assert all(unit in lines[index] for unit in ("LU ", "dB wider", "late energy"))
    assert lines[index + 1].startswith("  your mix ")
