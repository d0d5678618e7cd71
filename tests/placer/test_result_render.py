"""What one hears: aligned to the sample, as loud as it was, summing to the mix, below the ceiling.

Loudness is checked with libebur128 (pyebur128), an outside meter of BS.1770; true peak likewise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pytest
import soundfile
from msgspec.structs import asdict
from scipy.signal import oaconvolve, resample_poly

from placer.cue.read import read_cue
from placer.cue.records import Cue
from placer.errors import AudioError
from placer.result.folder import open_run
from placer.result.meters import THIRDS, measure_file
from placer.result.mixing import (
    MixSetting,
    mix_frames,
    mix_plan,
    reference_plan,
    setting_of,
    tail_seconds,
)
from placer.result.model import Mix
from placer.result.place import TrackRender
from placer.result.render import MixRender, RenderedMix, meeting_gain_db, render_mixes
from placer.run.evaluator import Evaluator, with_shared
from placer.run.placement_responses import placement_filter
from placer.run.plain import placements_from
from tests.placer.small_cue import RATE, SmallRun, level_db, sound_of, write_cue

NAMES = ("low", "high", "horns", "click")


def ebur128(sound: np.ndarray) -> tuple[float, float]:
    """Integrated loudness in LUFS and true peak in dBTP by libebur128."""
    mode = pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_TRUE_PEAK
    state = pyebur128.R128State(sound.shape[0], RATE, mode)
    interleaved = np.ascontiguousarray(sound.T).astype(np.float64).ravel()
    state.add_frames(interleaved, sound.shape[1])
    peaks = [pyebur128.get_true_peak(state, channel) for channel in range(sound.shape[0])]
    return pyebur128.get_loudness_global(state), 20 * np.log10(max(peaks))


def start_of(evaluator: Evaluator) -> MixSetting:
    """The reference's setting."""
    return setting_of(evaluator.own, evaluator.starts)


def render_mix(
    cue: Cue, tracks: list[TrackRender], path: Path, *, frames: int, stems: Path | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> RenderedMix:  # fmt: skip
    """Render one mix alone."""
    mixes = [MixRender(path, tracks, stems)]
    return render_mixes(cue, mixes, frames=frames, progress=progress)[0]


def placed(run: SmallRun, rank: int) -> dict[str, np.ndarray]:
    """Placed stems of a mix."""
    return {name: sound_of(run.folder / f"placed/{rank:02d}/{name}.wav") for name in NAMES}


def rows_of(mix: Mix) -> list[dict[str, Any]]:
    """Tracks of a mix as plain values."""
    return [asdict(track) for track in mix.tracks]


def ranks(run: SmallRun) -> range:
    """All ranks of a run, the reference first."""
    return range(len(run.result.mixes) + 1)


def mix_name(rank: int) -> str:
    """Audio file of a mix."""
    return f"mix-{rank:02d}.wav" if rank else "reference.wav"


def test_placed_stems_sum_to_the_mix(small_run: SmallRun) -> None:
    """A session that adds the placed stems has the mix, to -100 dB or better."""
    for rank in ranks(small_run):
        mix = sound_of(small_run.folder / mix_name(rank))
        rest = mix - sum(placed(small_run, rank).values())
        assert level_db(rest) - level_db(mix) < -100.0
        # half a step of 24 bits (2^-24), and what sums in float32 add
        assert np.max(np.abs(rest)) < 2.0**-22


def test_passages_of_changed_tracks_make_the_mix_of_the_reference(small_run: SmallRun) -> None:
    """Reference plus what each kept track changes is the mix: -80 dB (gains are told to .001)."""
    start, stop = (round(second * RATE) for second in small_run.result.excerpt)
    parts = small_run.folder / "parts"
    reference = sound_of(small_run.folder / mix_name(0))[:, start:stop]
    mixes = small_run.result.mixes
    assert mixes
    for mix in mixes:
        total, kept = reference.copy(), sorted((parts / f"{mix.rank:02d}").glob("*.wav"))
        assert {path.stem for path in kept} >= set(mix.moved)
        for path in kept:
            change = sound_of(path) - sound_of(parts / "00" / path.name)
            assert change.shape == reference.shape
            total += change
        gain = 10 ** ((small_run.result.reference.gain_db - mix.gain_db) / 20)
        wanted = gain * sound_of(small_run.folder / mix_name(mix.rank))[:, start:stop]
        assert level_db(total - wanted) - level_db(wanted) < -80.0


def test_files_last_until_the_room_is_silent(small_run: SmallRun) -> None:
    """Every mix and placed stem: the longest stem, then the room; one length, cue's rate, stereo.

    The room's figure is its longest reverberation time, 0.4 s, by which sound falls by 60 dB.
    """
    frames = mix_frames(read_cue(small_run.cue))
    assert frames == pytest.approx((3.0 + 0.4) * RATE, abs=0.25 * RATE)
    assert frames >= (3.0 + 0.4) * RATE
    assert small_run.result.seconds == pytest.approx(frames / RATE, abs=1e-3)
    for rank in ranks(small_run):
        for path in (
            small_run.folder / mix_name(rank),
            *(small_run.folder / f"placed/{rank:02d}").glob("*.wav"),
        ):
            facts = soundfile.info(path)
            assert (facts.frames, facts.samplerate, facts.channels) == (frames, RATE, 2)
    assert soundfile.info(small_run.folder / "reference.wav").subtype == "PCM_24"
    assert soundfile.info(small_run.folder / "placed/00/low.wav").subtype == "FLOAT"


def test_nothing_is_cut_off_at_the_end(small_run: SmallRun, small_evaluator: Evaluator) -> None:
    """Two stems that sound until their end: what follows is their room, down to its last 60 dB.

    Witness: the whole convolution, as long as it comes out.
    """
    folder, cue = small_run.cue.parent, small_evaluator.cue
    for rank in ranks(small_run):
        record = small_run.result.all_mixes[rank]
        tracks = cue.tracks
        shared = with_shared(cue, record.shared)
        placement = placements_from(tracks, rows_of(record))[0]
        response = placement_filter(shared, tracks[0], placement, channels=(1,), close_delay=0.0)
        stem = sound_of(folder / "low.wav")
        whole = oaconvolve(stem, response[0].astype(float), axes=-1)
        found = placed(small_run, rank)["low"]
        assert found.shape[1] >= whole.shape[1]
        gain = np.sum(found[:, : whole.shape[1]] * whole) / np.sum(whole**2)
        error = found - gain * np.pad(whole, ((0, 0), (0, found.shape[1] - whole.shape[1])))
        assert level_db(error) - level_db(found) < -100.0
        end = stem.shape[1]
        sounding = level_db(found[:, end : end + RATE // 50])
        assert sounding > level_db(found) - 40.0  # there is something to be cut off
        assert level_db(found[:, -RATE // 50 :]) < sounding - 60.0
        for name in ("horns", "click"):  # no room of ours: silence
            assert not placed(small_run, rank)[name][:, end + RATE // 10 :].any()


def test_recorded_tracks_alone_get_no_tail(small_evaluator: Evaluator) -> None:
    """Their room is in their files: nothing is added behind them."""
    cue = small_evaluator.cue
    without = replace(cue, tracks=tuple(one for one in cue.tracks if one.kind != "dry"))
    assert tail_seconds(without) == 0.0
    assert mix_frames(without) == 3 * RATE


def test_every_track_keeps_its_loudness(small_run: SmallRun) -> None:
    """Over its whole length each placed track is within 0.05 LU of the reference."""
    before = placed(small_run, 0)
    results = small_run.result.all_mixes
    for rank in ranks(small_run)[1:]:
        gain = results[rank].gain_db - results[0].gain_db
        for name, sound in placed(small_run, rank).items():
            then, now = ebur128(before[name])[0], ebur128(sound)[0]
            assert now - then == pytest.approx(gain, abs=0.05), name


def test_the_reference_has_every_stem_at_its_own_loudness(small_run: SmallRun) -> None:
    """A dry stem in the reference is as loud as its file; recorded ones are weighted as told."""
    gain = small_run.result.reference.gain_db
    stems = placed(small_run, 0)
    low = sound_of(small_run.cue.parent / "low.wav")
    assert ebur128(stems["low"])[0] - gain == pytest.approx(ebur128(low)[0], abs=0.05)
    high = resample_poly(sound_of(small_run.cue.parent / "high.wav"), 160, 147, axis=1)
    assert ebur128(stems["high"])[0] - gain == pytest.approx(ebur128(high)[0], abs=0.05)


def test_a_direct_track_is_exactly_its_file(small_run: SmallRun) -> None:
    """Heard as it is, from its first sample, in every mix, with the mix's one gain alone."""
    click = sound_of(small_run.cue.parent / "click.wav")
    results = small_run.result.all_mixes
    for rank in ranks(small_run):
        sound = placed(small_run, rank)["click"] / 10 ** (results[rank].gain_db / 20)
        error = sound[:, : click.shape[1]] - click
        # the gain is written with three decimals
        assert level_db(error) - level_db(click) < -75.0
        assert not sound[:, click.shape[1] :].any()


def test_a_recorded_track_keeps_time_to_the_sample(small_run: SmallRun) -> None:
    """Positions are weighted and added where they were: no shift, no filter."""
    folder = small_run.cue.parent
    close, tree = sound_of(folder / "horns_close.wav"), sound_of(folder / "horns_tree.flac")
    channels = np.concatenate([close, tree])
    for rank in ranks(small_run):
        track = small_run.result.all_mixes[rank].tracks[2]
        sound = placed(small_run, rank)["horns"]
        if track.aligned:
            lag = round(track.close_delay_ms * 1e-3 * RATE)
            channels[0] = np.concatenate([np.zeros(lag), close[0]])[: close.shape[1]]
        sound = sound[:, : close.shape[1]]
        gains = np.linalg.lstsq(channels.T, sound.T, rcond=None)[0]
        assert level_db(sound - gains.T @ channels) - level_db(sound) < -100.0


def test_a_dry_track_starts_when_its_sound_arrives(small_run: SmallRun) -> None:
    """Half a second of leading silence at another rate stays half a second, then the room."""
    sound = np.abs(placed(small_run, 0)["high"]).max(axis=0)
    first = int(np.argmax(sound > 0.02 * sound.max())) / RATE
    # seat (-2, 2): the close microphone hears it within 4 ms, and the room is 9 m wide
    assert 0.5 < first < 0.5 + 0.025
    assert sound[: round(0.4995 * RATE)].max() < 1e-4 * sound.max()


def test_the_mix_meets_its_loudness_target(small_run: SmallRun) -> None:
    """Target or ceiling, by an outside meter, and the result says what the file measures."""
    results = small_run.result.all_mixes
    for rank in ranks(small_run):
        loudness, peak = ebur128(sound_of(small_run.folder / mix_name(rank)))
        assert loudness == pytest.approx(-23.0, abs=0.05)
        assert loudness == pytest.approx(results[rank].lufs, abs=0.05)
        assert peak <= -1.0 + 0.05
        assert peak == pytest.approx(results[rank].true_peak_dbtp, abs=0.1)
        assert results[rank].missed_lu == 0.0


def test_the_ceiling_comes_first(tmp_path: Path, small_evaluator: Evaluator) -> None:
    """Where both cannot hold, the true peak meets the ceiling, and what is missed is told."""
    cue = read_cue(write_cue(tmp_path, target=-5.0))
    rendered = render_mix(
        cue,
        reference_plan(small_evaluator.cue, start_of(small_evaluator)),
        tmp_path / "mix.wav",
        frames=3 * RATE,
    )
    loudness, peak = ebur128(sound_of(tmp_path / "mix.wav"))
    assert peak == pytest.approx(-1.0, abs=0.05)
    assert rendered.missed_lu == pytest.approx(-5.0 - loudness, abs=0.05)
    assert rendered.missed_lu > 1.0


def test_one_gain_meets_target_or_ceiling() -> None:
    """Closed form: the smaller of what the target asks and what the ceiling lets."""
    for peak, gain in ((-20.0, 7.0), (-8.0, 7.0), (-7.0, 6.0), (0.0, -1.0)):
        found = meeting_gain_db(-30.0, peak, target_lufs=-23.0, ceiling_dbtp=-1.0)
        assert found == gain


def test_a_click_through_the_renderer_is_the_response(
    tmp_path: Path, small_evaluator: Evaluator, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stem of one sample comes out of the whole renderer as its placement's response."""
    cue, track = small_evaluator.cue, small_evaluator.cue.tracks[0]
    click = np.zeros(2 * RATE)
    click[777] = 0.5
    soundfile.write(tmp_path / "click.wav", click, RATE, "FLOAT")

    track = replace(track, files=(tmp_path / "click.wav",))
    responses = placement_filter(cue, track, track.start, channels=(1,), close_delay=0.0)
    mix = render_mix(
        cue, [TrackRender(track, lambda: responses)], tmp_path / "mix.wav",
        frames=2 * RATE, stems=tmp_path,
    )  # fmt: skip
    sound = sound_of(tmp_path / "low.wav") / 10 ** (mix.gain_db / 20)
    taps = responses.shape[-1]
    expected = np.zeros_like(sound)
    expected[:, 777 : 777 + taps] = 0.5 * responses[0]
    assert level_db(sound - expected) - level_db(expected) < -100.0


def test_silence_is_left_alone(tmp_path: Path, small_evaluator: Evaluator) -> None:
    """A mix in which nothing sounds is written as it is, without a gain to infinity."""
    cue, track = small_evaluator.cue, small_evaluator.cue.tracks[0]

    soundfile.write(tmp_path / "rest.wav", np.zeros(RATE), RATE, "PCM_24")
    track = replace(track, files=(tmp_path / "rest.wav",))
    rendered = render_mix(
        cue,
        [TrackRender(track, lambda: np.ones((1, 2, 1)), "stem")],
        tmp_path / "mix.wav",
        frames=RATE,
    )
    assert rendered.gain_db == 0.0
    assert rendered.tracks[0].make_up_db == 0.0
    assert not sound_of(tmp_path / "mix.wav").any()


def test_a_stem_that_breaks_off_leaves_no_file(tmp_path: Path, small_evaluator: Evaluator) -> None:
    """An error while rendering ends with one line and no half mix."""
    cue = small_evaluator.cue
    stem = tmp_path / "low.wav"
    stem.write_bytes(cue.tracks[0].files[0].read_bytes()[:-4000])
    track = replace(cue.tracks[0], files=(stem,))
    with pytest.raises(AudioError, match=r"low\.wav"):
        render_mix(
            cue, [TrackRender(track, lambda: np.ones((1, 2, 1)))], tmp_path / "mix.wav", frames=RATE
        )
    assert not (tmp_path / "mix.wav").exists()


def test_order_of_threads_changes_nothing(tmp_path: Path, small_evaluator: Evaluator) -> None:
    """Tracks are placed side by side but added in order: the same bytes every time."""
    cue, plan = (
        small_evaluator.cue,
        reference_plan(small_evaluator.cue, start_of(small_evaluator)),
    )
    contents = []
    for number in range(3):
        path = tmp_path / f"{number}.wav"
        told: list[str] = []
        render_mix(cue, plan, path, frames=RATE, progress=told.append)
        assert told == [*NAMES, path.name]  # every track placed, then the mix written
        contents.append(path.read_bytes())
    assert contents[0] == contents[1] == contents[2]


def test_mixes_are_as_loud_as_the_first(
    tmp_path: Path, small_run: SmallRun, small_evaluator: Evaluator
) -> None:
    """A mix sets each track to what it measured in the reference, plus its own trim."""
    placements = placements_from(small_evaluator.cue.tracks, rows_of(small_run.result.mixes[0]))
    placements = (replace(placements[0], trim_db=1.0), *placements[1:])
    mixes = [
        MixRender(
            tmp_path / "a.wav", reference_plan(small_evaluator.cue, start_of(small_evaluator))
        ),
        MixRender(
            tmp_path / "b.wav",
            mix_plan(small_evaluator.cue, setting_of(small_evaluator.own, placements)),
        ),
    ]
    first, second = render_mixes(small_evaluator.cue, mixes, frames=3 * RATE)
    change = [
        b.loudness + b.make_up_db - a.loudness - a.make_up_db
        for a, b in zip(first.tracks, second.tracks, strict=True)
    ]
    np.testing.assert_allclose(change, [1.0, 0.0, 0.0, 0.0], atol=1e-9)
    # and what is the same in both is the same sound: the click is heard as it is
    assert second.tracks[3].loudness == first.tracks[3].loudness


def test_a_silent_reference_sets_nothing_back(tmp_path: Path, small_evaluator: Evaluator) -> None:
    """Where a track is off in the reference, there is no loudness to be set to."""
    cue, track = small_evaluator.cue, small_evaluator.cue.tracks[0]
    mixes = [
        MixRender(tmp_path / "a.wav", [TrackRender(track, lambda: np.zeros((1, 2, 1)))]),
        MixRender(tmp_path / "b.wav", [TrackRender(track, lambda: np.ones((1, 2, 1)), "first")]),
    ]
    found = render_mixes(cue, mixes, frames=3 * RATE)
    assert found[1].tracks[0].make_up_db == 0.0
    assert found[1].lufs == pytest.approx(-23.0, abs=0.05)


def test_one_pass_gives_what_single_renders_give(
    tmp_path: Path, small_run: SmallRun, small_evaluator: Evaluator
) -> None:
    """A mix rendered with others is the same file as one rendered with the reference alone."""
    plans = [
        mix_plan(
            small_evaluator.cue,
            setting_of(
                small_evaluator.own, placements_from(small_evaluator.cue.tracks, rows_of(mix))
            ),
        )
        for mix in small_run.result.mixes
    ]
    first = MixRender(
        tmp_path / "first.wav", reference_plan(small_evaluator.cue, start_of(small_evaluator))
    )
    every = [MixRender(tmp_path / f"all-{n}.wav", plan) for n, plan in enumerate(plans)]
    render_mixes(small_evaluator.cue, [first, *every], frames=3 * RATE)
    for number, plan in enumerate(plans):
        alone = MixRender(tmp_path / f"alone-{number}.wav", plan)
        render_mixes(small_evaluator.cue, [first, alone], frames=3 * RATE)
        together = sound_of(tmp_path / f"all-{number}.wav")
        # one step of 24 bits
        assert np.max(np.abs(sound_of(alone.path) - together)) <= 2.0**-23


def test_figures_of_a_file(tmp_path: Path) -> None:
    """Levels in thirds, lean and mono gain of sounds whose figures are known in closed form."""
    time = np.arange(4 * RATE) / RATE
    tone = 0.25 * np.sin(2 * np.pi * 1000.0 * time)
    soundfile.write(tmp_path / "a.wav", np.stack([tone, 0.5 * tone], 1), RATE, "FLOAT")
    figures = measure_file(tmp_path / "a.wav", RATE)
    assert figures.lean_db == pytest.approx(6.02, abs=0.01)
    # |1 + 0.5|^2 against 1 + 0.25
    assert figures.mono_gain_db == pytest.approx(10 * np.log10(2.25 / 1.25), abs=0.01)
    index = int(np.argmin(np.abs(THIRDS - 1000.0)))
    power = 10 * np.log10(np.mean(np.square(tone)) * 1.25)
    assert figures.thirds_db[index] == pytest.approx(power, abs=0.1)
    rng = np.random.default_rng(0)
    noise = 0.1 * rng.standard_normal((2, 30 * RATE))
    soundfile.write(tmp_path / "b.wav", noise.T, RATE, "FLOAT")
    figures = measure_file(tmp_path / "b.wav", RATE)
    assert figures.mono_gain_db == pytest.approx(0.0, abs=0.1)
    assert figures.lean_db == pytest.approx(0.0, abs=0.1)
    assert figures.low_lean_db == pytest.approx(0.0, abs=0.5)
    # white noise: each third has 23 % of its centre as bandwidth (IEC 61260-1)
    width = THIRDS * (10**0.05 - 10**-0.05)
    expected = 10 * np.log10(2 * 0.01 * width / (RATE / 2))
    np.testing.assert_allclose(figures.thirds_db[:11], expected[:11], atol=1.5)
    np.testing.assert_allclose(figures.thirds_db[11:], expected[11:], atol=0.15)


def test_the_result_names_its_files(small_run: SmallRun) -> None:
    """Every file that result.json names is there, and its figures are those of the files."""
    run = open_run(small_run.folder)
    result = run.read_result()
    for mix in result.all_mixes:
        assert (run.path / mix.file).is_file()
        figures = measure_file(run.path / mix.file, RATE)
        assert mix.figures.left_right_db == pytest.approx(figures.lean_db, abs=1e-3)
        np.testing.assert_allclose(mix.figures.thirds_db, figures.thirds_db, atol=0.006)
    assert result.reference.figures.low_thirds_db == (0.0,) * 11
