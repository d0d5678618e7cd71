"""Two mono files that are left and right are one stereo sound, wherever a stem is read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from placer.audio.files import content_hash, info, open_blocks, read_stem
from placer.audio.pairs import MonoPair
from placer.audio.survey import survey
from placer.cue.read import read_cue
from placer.errors import AudioError
from placer.placement.passages import file_channels, read_passage, seconds_of
from placer.progress import Quiet
from placer.result.outcome import _track_head
from placer.result.place import TrackRender, place_track
from placer.run.ready import cue_hash, make_ready, survey_cue
from tests.placer.small_cue import write_cue

RATE = 44100


@pytest.fixture
def sound() -> np.ndarray:
    """Three blocks and a bit of noise, left and right different, (2, frame)."""
    return 0.1 * np.random.default_rng(3).standard_normal((2, 200001))


@pytest.fixture
def pair(tmp_path: Path, sound: np.ndarray) -> MonoPair:
    """The sound as two mono files, beside "both.wav", the same as one stereo file."""
    soundfile.write(tmp_path / "both.wav", sound.T, RATE, "PCM_24")
    for name, side in zip("LR", sound, strict=True):
        soundfile.write(tmp_path / f"x_{name}.wav", side, RATE, "PCM_24")
    return MonoPair(tmp_path / "x_L.wav", tmp_path / "x_R.wav")


@pytest.mark.parametrize("rate", [RATE, 48000])
@pytest.mark.parametrize("span", [None, (0.7, 2.2), (4.0, 6.0)])
def test_a_pair_reads_as_the_stereo_file(
    tmp_path: Path, pair: MonoPair, rate: int, span: tuple[float, float] | None
) -> None:
    """Whole or a span of it, converted or not: the same samples, bit for bit."""
    one, other = read_stem(pair, rate, span=span), read_stem(tmp_path / "both.wav", rate, span=span)
    assert np.array_equal(one.samples, other.samples)
    assert np.abs(one.samples).max() > 0.1


@pytest.mark.parametrize("rate", [RATE, 48000])
def test_a_pair_streams_as_the_stereo_file(tmp_path: Path, pair: MonoPair, rate: int) -> None:
    """Piece by piece, in pieces of any size, and to the survey."""
    with open_blocks(pair, rate) as one, open_blocks(tmp_path / "both.wav", rate) as other:
        assert (one.channels, one.frames, one.info.seconds) == (
            other.channels, other.frames, other.info.seconds
        )  # fmt: skip
        while (piece := other.read(7001)).shape[1]:
            assert np.array_equal(one.read(7001), piece)
        assert one.read(7001).shape == (2, 0)
    surveys = [survey([source], rate) for source in (pair, tmp_path / "both.wav")]
    assert np.array_equal(surveys[0].activity, surveys[1].activity)


def test_the_shorter_side_goes_on_with_silence(tmp_path: Path, sound: np.ndarray) -> None:
    """Exports may differ by some frames; nothing of the longer side is lost."""
    soundfile.write(tmp_path / "l.wav", sound[0], RATE, "FLOAT")
    soundfile.write(tmp_path / "r.wav", sound[1, :-30000], RATE, "FLOAT")
    pair = MonoPair(tmp_path / "l.wav", tmp_path / "r.wav")
    wanted = sound.astype(np.float32)
    wanted[1, -30000:] = 0
    assert np.array_equal(read_stem(pair, RATE).samples, wanted)
    late = read_stem(pair, RATE, span=(190000 / RATE, 199000 / RATE)).samples
    assert np.array_equal(late, wanted[:, 190000:199000])


def test_a_silent_side_is_no_error_but_a_silent_pair_is(tmp_path: Path) -> None:
    """A sound that sits hard on one side is a sound."""
    noise = 0.1 * np.random.default_rng(1).standard_normal(RATE)
    for name, side in {"l": noise, "r": 0 * noise, "s": 0 * noise}.items():
        soundfile.write(tmp_path / f"{name}.wav", side, RATE)
    left, right, silent = (tmp_path / f"{name}.wav" for name in "lrs")
    assert read_stem(MonoPair(left, right), RATE).samples.shape == (2, RATE)
    with pytest.raises(AudioError, match="l.wav and .*r.wav: is silent|r.wav and .*s.wav: is sil"):
        read_stem(MonoPair(right, silent), RATE)


def test_the_hash_knows_both_sides_and_their_order(pair: MonoPair) -> None:
    """Another byte on either side, or the sides exchanged, is another sound."""
    first = content_hash(pair)
    assert first == content_hash(pair)
    assert first != content_hash(MonoPair(pair.right, pair.left))
    pair.right.write_bytes(pair.right.read_bytes()[:-1] + b"\x7f")
    assert content_hash(pair) != first


@pytest.mark.parametrize(
    ("right", "rate", "channels", "words"),
    [
        (3.0, RATE, 2, "has 2 channels; the two files of a pair are mono"),
        (3.0, 48000, 1, "48000 Hz, but .* has 44100 Hz"),
        (1.5, RATE, 1, "are 3.0 s and 1.5 s long; export both sides"),
    ],
)
def test_what_makes_no_pair(
    tmp_path: Path, right: float, rate: int, channels: int, words: str
) -> None:
    """Stereo sides, two rates, or one side much shorter: one clear line."""
    noise = 0.1 * np.random.default_rng(1).standard_normal((3 * 48000, 2))
    soundfile.write(tmp_path / "l.wav", noise[: 3 * RATE, 0], RATE)
    soundfile.write(tmp_path / "r.wav", noise[: round(right * rate), :channels], rate)
    with pytest.raises(AudioError, match=words):
        info(MonoPair(tmp_path / "l.wav", tmp_path / "r.wav"))


def test_a_cue_with_pairs_is_the_cue_with_stereo_files(tmp_path: Path, pair: MonoPair) -> None:
    """The analysed passage of a dry track and of a recorded position is the stereo file's."""
    text = (
        '[cue]\nsample_rate = 48000\n[[track]]\nname = "dry"\nfile = {dry}\n'
        '[[track]]\nname = "recorded"\npositions = {{ close = "both.wav", tree = {tree} }}\n'
    )
    split, whole = '["x_L.wav", "x_R.wav"]', '"again.wav"'
    (tmp_path / "again.wav").write_bytes((tmp_path / "both.wav").read_bytes())
    cues = []
    for name, source in (("split", split), ("whole", whole)):
        path = tmp_path / f"{name}.toml"
        path.write_text(text.format(dry=source, tree=source), encoding="utf-8")
        cues.append(read_cue(path))
    assert cues[0].tracks[0].files == (pair,)
    assert cues[0].tracks[1].files == (tmp_path / "both.wav", pair)
    assert seconds_of(cues[0]) == seconds_of(cues[1])
    for one, other in zip(*(cue.tracks for cue in cues), strict=True):
        assert file_channels(one) == file_channels(other)
        passages = [
            read_passage(cues[0], one, (1.0, 3.0)),
            read_passage(cues[1], other, (1.0, 3.0)),
        ]
        assert np.array_equal(passages[0].samples, passages[1].samples)
        assert passages[0].layout == passages[1].layout
        thru = np.full((sum(file_channels(one)), 2, 1), 0.5)
        render = [TrackRender(track, thru.copy, loud_as="stem") for track in (one, other)]
        placed = [
            place_track(cue, [each], tmp_path / cue.path.stem, 100000)[0]
            for cue, each in zip(cues, render, strict=True)
        ]
        assert placed[0].result == placed[1].result
        assert placed[0].path.read_bytes() == placed[1].path.read_bytes()


def test_a_run_knows_its_pairs_by_both_files(tmp_path: Path, pair: MonoPair) -> None:
    """The same cue has the same hash; a byte of either side or the sides exchanged, another."""
    track = '[[track]]\nname = "a"\nfile = ["x_{}.wav", "x_{}.wav"]\n'
    for name, sides in (("one", "LR"), ("again", "LR"), ("exchanged", "RL")):
        (tmp_path / f"{name}.toml").write_text(
            '[cue]\nname = "x"\n' + track.format(*sides), encoding="utf-8"
        )
    one, again, exchanged = (
        read_cue(tmp_path / f"{name}.toml") for name in ("one", "again", "exchanged")
    )
    before = cue_hash(one)
    assert (before == cue_hash(again), before == cue_hash(exchanged)) == (True, False)
    soundfile.write(pair.right, np.full(200001, 0.1), RATE)
    assert cue_hash(one) != before


def test_what_judges_a_cue_hears_a_pair_as_the_stereo_file(tmp_path: Path) -> None:
    """Dry and recorded: the reference costs the same, and the record names both files."""
    path = write_cue(tmp_path)
    text = path.read_text(encoding="utf-8")
    for name, ending in (("high", "wav"), ("horns_tree", "flac")):
        sound, rate = soundfile.read(tmp_path / f"{name}.{ending}")
        for side, samples in zip("LR", sound.T, strict=True):
            soundfile.write(tmp_path / f"{name}_{side}.wav", samples, rate, "PCM_24")
        text = text.replace(f'"{name}.{ending}"', f'["{name}_L.wav", "{name}_R.wav"]')
    split = tmp_path / "split.toml"
    split.write_text(text, encoding="utf-8")
    ready = [
        make_ready(survey_cue(read_cue(each), Quiet()), Quiet(), threads=1)
        for each in (path, split)
    ]
    whole, split_in_two = (each.reference for each in ready)
    assert (whole.total, whole.terms) == (split_in_two.total, split_in_two.terms)
    shares = [each.per_track["audibility"] for each in (whole, split_in_two)]
    assert np.array_equal(*shares)
    assert shares[0].max() > 0.05
    pairs = [source for track in ready[1].cue.tracks for source in track.files]
    assert sum(isinstance(source, MonoPair) for source in pairs) == 2
    heads = [_track_head(track, foreground=True).files for track in ready[1].cue.tracks]
    assert heads[2] == tuple(
        str(tmp_path / name) for name in ("horns_close.wav", "horns_tree_L.wav", "horns_tree_R.wav")
    )
