"""Choices made on the page: blind, ABX, and what arrives on disk."""

from __future__ import annotations

import json
import time
import tomllib

import numpy as np
import pytest
import soundfile
from scipy.stats import binomtest

from placer.result.listening_page import ListeningPage
from tests.browser.conftest import requested
from tests.browser.handling import (
    choose_take,
    decoded,
    is_ready,
    label_texts,
    opened,
    page_data,
    press,
    revealed,
    silent_console,
    text_of,
    votes,
    wait,
)
from tests.placer.result_run import RATE, TARGET, measured_lufs

pytestmark = pytest.mark.browser


def test_blind_mode_gives_no_order_away(chromium, server):
    """Page, addresses and lengths tell nothing; the order comes with the choice and is true."""
    opened(chromium, server.url)
    press(chromium, "mode-blind")
    wait(chromium, lambda: is_ready(chromium) and "A" in label_texts(chromium))
    open_tokens = [mix["token"] for mix in page_data(chromium)["mixes"]]
    requested(chromium)
    press(chromium, "again")
    chromium.execute_script("document.getElementById('again').disabled = false")
    press(chromium, "again")
    wait(chromium, lambda: is_ready(chromium))
    time.sleep(0.3)
    assert label_texts(chromium) == ["A", "B", "C", "D"]
    asked = [url for url in requested(chromium) if "/audio/" in url]
    assert len(asked) >= 4
    assert not any(token in url for url in asked for token in open_tokens)
    assert not any(name in url for url in asked for name in ("mix", "reference", ".wav"))
    html = chromium.execute_script("return document.getElementById('listen').outerHTML")
    takes = chromium.execute_script("return document.getElementById('takes').outerHTML")
    assert "token" not in html
    assert not any(word in takes for word in ("Mix", "Reference", "rank", "mix-"))
    levels = [measured_lufs(mix) for mix in decoded(chromium)]
    assert max(levels) - min(levels) < 0.1
    heard = decoded(chromium)
    choose_take(chromium, 1)
    press(chromium, "best")
    wait(chromium, lambda: revealed(chromium))
    told = revealed(chromium)
    for letter, line, sound in zip("ABCD", told, heard, strict=True):
        name = line.removeprefix(f"{letter} was ").removesuffix(", your choice")
        file = "reference" if name == "Reference" else f"mix-{int(name[4:5]):02d}"
        truth, _ = soundfile.read(server.answers.folder / f"{file}.wav", always_2d=True)
        np.testing.assert_allclose(sound, truth.T, atol=1e-7)
    assert told[1].endswith("your choice")
    vote = votes(server)["votes"][-1]
    assert vote["blind"] is True
    assert vote["among"] == [0, 1, 2, 3]
    assert f"Mix {vote['chosen']}" in told[1] or (vote["chosen"] == 0 and "Reference" in told[1])


def test_votes_and_notes_arrive_on_disk(chromium, server):
    """A sighted vote with its note, and a note alone, are in votes.json, and teach nothing."""
    opened(chromium, server.url)
    choose_take(chromium, 1)
    chromium.find_element("id", "note").send_keys('clearer <b>lows</b> "here"')
    press(chromium, "prefer")
    wait(chromium, lambda: "Saved" in text_of(chromium, "status"))
    chromium.find_element("id", "note").send_keys("cello entry")
    press(chromium, "keep-note")
    wait(chromium, lambda: "Note kept" in text_of(chromium, "status"))
    record = votes(server)
    (vote,) = record["votes"]
    assert (vote["chosen"], vote["among"], vote["blind"]) == (1, [0, 1, 2, 3], False)
    assert vote["note"] == 'clearer <b>lows</b> "here"'
    assert record["notes"][0]["text"] == "cello entry"
    weights = tomllib.loads((server.answers.folder / "weights.toml").read_text())["weights"]
    assert set(weights) == set(
        json.loads((server.answers.folder / "result.json").read_text())["reference"]["terms"]
    )
    assert "Kept apart: 1 vote" in text_of(chromium, "sure")


def test_abx_counts_and_keeps_the_exact_probability(chromium, server):
    """Five answers, whatever they are: count, probability and record agree with scipy."""
    opened(chromium, server.url)
    press(chromium, "mode-abx")
    press(chromium, "begin")
    for done in range(5):
        wait(
            chromium,
            lambda: is_ready(chromium) and chromium.find_element("id", "x-is-a").is_enabled(),
        )
        press(chromium, "x-is-a")
        wait(
            chromium,
            lambda n=done + 1: f"{n} answered" in text_of(chromium, "abx-result"),
        )
    wait(chromium, lambda: is_ready(chromium))
    press(chromium, "finish")
    wait(chromium, lambda: "of 5 right" in text_of(chromium, "abx-result"))
    (trial,) = votes(server)["trials"]
    expected = binomtest(trial["right"], 5, 0.5, alternative="greater").pvalue
    assert trial["p"] == pytest.approx(expected, rel=1e-12)
    assert (trial["a"], trial["b"], trial["trials"]) == (0, 1, 5)


def test_the_pages_own_binomial_tail_is_exact(chromium, server):
    """The page opened as a file works the probability out itself; scipy agrees."""
    opened(chromium, server.url)
    for right, trials in ((0, 1), (9, 10), (12, 16), (33, 50), (500, 1000)):
        found = chromium.execute_script("return listening.guessing(...arguments)", right, trials)
        expected = binomtest(right, trials, 0.5, alternative="greater").pvalue
        assert found == pytest.approx(expected, rel=1e-9)


def test_ones_own_mix_is_compared_like_the_others(chromium, server):
    """Heard beside the others, whole where they show one track, and dealt a letter when blind."""
    folder = server.answers.folder
    result = json.loads((folder / "result.json").read_text())
    tone = 0.1 * np.sin(2 * np.pi * 330.0 * np.arange(6 * RATE) / RATE)
    sound = np.stack([tone, 0.5 * tone])
    gain = 10 ** ((TARGET - measured_lufs(sound)) / 20)
    soundfile.write(folder / "compare.wav", gain * sound.T, RATE, subtype="PCM_24")
    result["compare"] = {
        "rank": -1, "file": "compare.wav", "source": "my mix.wav", "hash": "0", "lufs": TARGET,
        "true_peak_dbtp": -20.0, "gain_db": 0.0, "missed_lu": 0.0,
    }  # fmt: skip
    (folder / "result.json").write_text(json.dumps(result))
    server.answers = ListeningPage(folder)
    opened(chromium, server.url)
    assert label_texts(chromium)[-1] == "Your mix"
    mixes = decoded(chromium)
    np.testing.assert_allclose(mixes[-1], gain * sound, atol=1e-6)
    chromium.execute_script(
        "const f = document.getElementById('focus'); f.value = '1';"
        "f.dispatchEvent(new Event('change'))"
    )
    wait(chromium, lambda: is_ready(chromium))
    press(chromium, "mode-blind")
    wait(chromium, lambda: label_texts(chromium)[0] == "A" and is_ready(chromium))
    assert sorted(label_texts(chromium)) == list("ABCDE")
    own = server.answers.listening
    order = next(iter(own._rounds.values()))
    choose_take(chromium, order.index(-1))
    press(chromium, "best")
    wait(chromium, lambda: revealed(chromium))
    assert f"{'ABCDE'[order.index(-1)]} was Your mix, your choice" in revealed(chromium)
    assert votes(server)["votes"][-1]["chosen"] == -1
    assert silent_console(chromium)
