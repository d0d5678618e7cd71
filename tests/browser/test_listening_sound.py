"""What the page plays, measured at its own output."""

from __future__ import annotations

import json
import time

import numpy as np
import pytest
import soundfile
from scipy.signal import correlate, oaconvolve

from tests.browser.handling import (
    captured,
    choose_take,
    decoded,
    is_ready,
    opened,
    position,
    press,
    tap,
    wait,
)
from tests.placer.result_run import CAST, RATE, measured_lufs

pytestmark = pytest.mark.browser


def test_a_switch_keeps_the_position_to_the_sample(chromium, server):
    """Output before and after a switch is the old and the new file at one and the same offset."""
    tap(chromium, server.url)
    mixes = decoded(chromium)
    press(chromium, "play")
    time.sleep(0.8)
    choose_take(chromium, 2)
    time.sleep(0.8)
    press(chromium, "play")
    sound = captured(chromium)
    playing = sound[:, : round(1.5 * RATE)]
    before, after = playing[:, 2000:20000], playing[:, -20000:-2000]
    lags = []
    for piece, mix, at in ((before, mixes[0], 2000), (after, mixes[2], playing.shape[1] - 20000)):
        ratio = sum(correlate(m[: 2 * RATE], p, "valid") for m, p in zip(mix, piece, strict=True))
        window = np.ones((1, piece.shape[1]))
        energy = oaconvolve(np.square(mix[:, : 2 * RATE]), window, "valid", axes=1).sum(0)
        found = int(np.argmax(ratio / np.sqrt(energy)))
        lags.append(found - at)
        assert np.max(np.abs(mix[:, found : found + piece.shape[1]] - piece)) < 1e-4
    assert lags[0] == lags[1]


def test_a_switch_makes_no_click(chromium, server):
    """Two opposite slow tones: a hard cut would jump by 0.4, the crossfade stays below 0.02."""
    tone = 0.2 * np.cos(2 * np.pi * 50 * np.arange(6 * RATE) / RATE)
    for rank, sign in ((1, 1.0), (2, -1.0)):
        path = server.answers.folder / f"mix-{rank:02d}.wav"
        soundfile.write(path, np.stack([sign * tone] * 2, axis=1), RATE, subtype="PCM_24")
    tap(chromium, server.url)
    choose_take(chromium, 1)
    press(chromium, "play")
    time.sleep(0.4)
    for index in (2, 1, 2, 1):
        choose_take(chromium, index)
        time.sleep(0.13)
    sound = captured(chromium)[:, 100:]
    alike = np.convolve(sound[0] * tone[100 : 100 + sound.shape[1]], np.ones(960) / 960, "valid")
    assert sound.shape[1] > 30_000
    assert np.max(np.abs(np.diff(sound, axis=1))) < 0.02
    assert np.max(np.abs(sound)) == pytest.approx(0.2, abs=0.01)
    assert np.min(alike) < -0.01  # it did go to the opposite tone
    assert np.max(alike) > 0.01


def test_decoded_versions_are_equally_loud(chromium, server):
    """What the page plays differs by less than 0.1 LU by an outside meter, and is the file."""
    opened(chromium, server.url)
    mixes = decoded(chromium)
    levels = [measured_lufs(mix) for mix in mixes]
    assert max(levels) - min(levels) < 0.1
    told, _ = soundfile.read(server.answers.folder / "mix-01.wav", always_2d=True)
    np.testing.assert_allclose(mixes[1], told.T, atol=1e-7)


def test_a_louder_version_is_turned_down(chromium, server):
    """One mix that misses its target by 2 LU: the others come down to it, none goes up."""
    folder = server.answers.folder
    result = json.loads((folder / "result.json").read_text())
    quiet, _ = soundfile.read(folder / "mix-02.wav", always_2d=True)
    soundfile.write(folder / "mix-02.wav", quiet * 10 ** (-2 / 20), RATE, subtype="PCM_24")
    result["mixes"][1] |= {"lufs": result["mixes"][1]["lufs"] - 2.0, "missed_lu": 2.0}
    (folder / "result.json").write_text(json.dumps(result))
    type(server.answers).__init__(server.answers, folder)
    opened(chromium, server.url)
    levels = [measured_lufs(mix) for mix in decoded(chromium)]
    assert max(levels) - min(levels) < 0.1
    assert max(levels) == pytest.approx(result["mixes"][1]["lufs"], abs=0.05)
    assert "turns down the reference by 2.0 dB" in chromium.page_source


def test_mono_is_the_half_sum_on_both_sides(chromium, server):
    """The fold-down carries (L + R) / 2 left and right."""
    tap(chromium, server.url)
    mix = decoded(chromium)[0]
    press(chromium, "mono")
    press(chromium, "play")
    time.sleep(0.8)
    sound = captured(chromium)
    piece = sound[:, 5000:20000]
    np.testing.assert_allclose(piece[0], piece[1], atol=1e-7)
    folded = mix.mean(0)
    errors = [np.max(np.abs(folded[n : n + 15000] - piece[0])) for n in range(4000, 6200)]
    assert min(errors) < 1e-4


def test_one_track_is_heard_within_a_quieter_rest(chromium, server):
    """With a track chosen the output is the track as it is and everything else 12 dB down."""
    tap(chromium, server.url)
    chromium.execute_script(
        "const f = document.getElementById('focus'); f.value = '2';"
        "document.getElementById('status').textContent = ''; f.dispatchEvent(new Event('change'))"
    )
    wait(chromium, lambda: is_ready(chromium))
    folder = server.answers.folder
    mix, _ = soundfile.read(folder / "reference.wav", always_2d=True)
    stem, _ = soundfile.read(folder / "placed" / "00" / f"{CAST[2][0]}.wav", always_2d=True)
    wanted = (stem + 10 ** (-12 / 20) * (mix - stem)).T
    press(chromium, "play")
    time.sleep(0.8)
    sound = captured(chromium)
    piece = sound[:, 5000:20000]
    errors = [np.max(np.abs(wanted[:, n : n + 15000] - piece)) for n in range(4000, 6200)]
    assert min(errors) < 1e-4


def test_the_loop_stays_in_the_passage(chromium, server):
    """A passage of half a second is played round and round, by the audio clock."""
    opened(chromium, server.url)
    chromium.execute_script(
        "for (const [id, value] of [['from', 2], ['to', 2.5]]) {"
        "document.getElementById(id).value = value;"
        "document.getElementById(id).dispatchEvent(new Event('change')); }"
    )
    press(chromium, "play")
    seen = []
    for _ in range(25):
        time.sleep(0.06)
        seen.append(position(chromium))
    assert 2.0 <= min(seen) < 2.2
    assert 2.3 < max(seen) <= 2.5
    assert np.sum(np.diff(seen) < 0) >= 1


def test_it_starts_quiet_and_warns(chromium, server):
    """Before anything is touched: -20 dB, a caution, and no sound."""
    opened(chromium, server.url)
    assert chromium.find_element("id", "volume-shown").text == "-20 dB"
    assert chromium.execute_script("return listening.player().playing") is False
    assert "harms hearing" in chromium.find_element("css selector", ".caution").text
    press(chromium, "play")
    wait(chromium, lambda: position(chromium) > 0.2)
    gain = chromium.execute_script("return listening.player().volume.gain.value")
    assert gain == pytest.approx(0.1, rel=1e-3)
