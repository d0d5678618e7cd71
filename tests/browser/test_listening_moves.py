"""The path as the page plays it: any choice of moves, at once, without a gap, at one loudness."""

from __future__ import annotations

import importlib.util
import os
import time
import tomllib
from pathlib import Path

import numpy as np
import pyebur128
import pytest
import soundfile
from scipy.signal import butter, sosfilt

from placer.result.report import write_report
from tests.browser.conftest import paint, resize
from tests.browser.handling import (
    captured,
    choose_take,
    click,
    decoded,
    enter,
    is_ready,
    label_texts,
    opened,
    press,
    silent_console,
    tap,
    text_of,
    wait,
)
from tests.placer.result_run import CAST, MOVED, RATE, measured_lufs

pytestmark = pytest.mark.browser

STEPS = MOVED[1]


def tick(driver, *wanted):
    """Tick exactly these moves (counted from 0) by their boxes, and wait until they are heard."""
    for index, box in enumerate(driver.find_elements("css selector", "#path input")):
        if box.is_selected() != (index in wanted):
            heard(driver, lambda box=box: click(driver, box))


def heard(driver, action):
    """Do something and wait until the page says what is heard now."""
    driver.execute_script("document.getElementById('status').textContent = ''")
    action()
    wait(driver, lambda: text_of(driver, "status").startswith("Hearing"))


def part(server, rank, name):
    """Passage of a placed track, (2, frame)."""
    path = server.answers.folder / "parts" / f"{rank:02d}" / f"{name}.wav"
    return soundfile.read(path, always_2d=True)[0].T


def mixed(server, wanted):
    """The reference with some moves of mix 1 made, worked out from the files."""
    sound = soundfile.read(server.answers.folder / "reference.wav", always_2d=True)[0].T
    for step in wanted:
        for index in STEPS[step]:
            sound = sound + part(server, 1, CAST[index][0]) - part(server, 0, CAST[index][0])
    return sound


def test_every_choice_of_moves_is_what_it_says_at_one_loudness(chromium, server):
    """Prefixes and single moves: the sum of their files, within .1 LU by an outside meter."""
    opened(chromium, server.url, "moves")
    assert label_texts(chromium) == ["Reference", "Ticked moves"]
    keys = [one.text for one in chromium.find_elements("css selector", "#takes kbd")]
    assert keys == ["R", "T"]
    start, end = chromium.execute_script(
        "const { from, to } = listening.player().settings; return [from, to];"
    )
    assert text_of(chromium, "time").endswith(f" of 0:{end - start:04.1f} (passage)")
    levels = [measured_lufs(decoded(chromium)[0])]
    for wanted in [(0, 1, 2), (0, 1), (0,), (), (2,)]:
        tick(chromium, *wanted)
        found = decoded(chromium)[1]
        truth = mixed(server, wanted)
        gain = np.sum(found * truth) / np.sum(truth**2)
        # what a move changes is kept in 16 bits below its own peak
        assert np.max(np.abs(found - gain * truth)) < 1e-4
        levels.append(measured_lufs(found))
    assert max(levels) - min(levels) < 0.1
    assert silent_console(chromium)


def test_the_pages_meter_is_the_standards(chromium, server):
    """Loudness within .01 LU and true peak within .2 dB of libebur128, on noise and on a tone."""
    opened(chromium, server.url, "moves")
    rng = np.random.default_rng(7)
    time_axis = np.arange(2 * RATE) / RATE
    noise = rng.normal(0.0, 0.1, (2, 2 * RATE)) * (time_axis > 0.7)
    noise = sosfilt(butter(6, 12000.0, output="sos", fs=RATE), noise)
    tone = np.stack([0.4 * np.sin(2 * np.pi * RATE / 4 * time_axis + np.pi / 4)] * 2)
    for sound in (noise, tone):
        mode = pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_TRUE_PEAK
        state = pyebur128.R128State(2, RATE, mode)
        state.add_frames(np.ascontiguousarray(sound.T).ravel(), sound.shape[1])
        level, peak = chromium.execute_script(
            "const s = arguments[0].map((one) => Float32Array.from(one));"
            "return [listening.integratedLoudness(s, arguments[1]), listening.truePeak(s)];",
            sound.tolist(), RATE,
        )  # fmt: skip
        assert level == pytest.approx(pyebur128.get_loudness_global(state), abs=0.01)
        true = 20 * np.log10(pyebur128.get_true_peak(state, 0))
        assert 20 * np.log10(peak) == pytest.approx(true, abs=0.2)


def test_a_move_is_ticked_without_a_gap_while_it_plays(chromium, server):
    """Output before and after is the old and the new sound at one position; nothing between is."""
    tap(chromium, server.url, "moves")
    tick(chromium)
    old = decoded(chromium)[1]
    box = chromium.find_elements("css selector", "#path input")[0]
    press(chromium, "play")
    time.sleep(0.6)
    heard(chromium, lambda: click(chromium, box))
    new = decoded(chromium)[1]
    time.sleep(0.6)
    # up to where the passage begins anew: on a busy machine the new sound comes late
    sound = captured(chromium)[:, : old.shape[1] - 300]
    # the output begins within the first frames of the buffer, or its first sound is a little later
    at = min(range(200), key=lambda n: np.max(np.abs(old[:, n : n + 9000] - sound[:, :9000])))
    old, new = (one[:, at : at + sound.shape[1]] for one in (old, new))
    is_old = np.max(np.abs(sound - old), axis=0) < 1e-5
    is_new = np.max(np.abs(sound - new), axis=0) < 1e-5
    last_old = np.flatnonzero(is_old & ~is_new)[-1]
    first_new = np.flatnonzero(is_new & ~is_old)[0]
    assert is_old[: round(0.4 * RATE)].all()
    assert is_new[-round(0.3 * RATE) :].all()
    assert 0 < first_new - last_old < 0.03 * RATE  # a crossfade and no more
    between = slice(last_old, first_new)
    low, high = np.minimum(old, new)[:, between], np.maximum(old, new)[:, between]
    # gains of old and new sum to one: the sound stays between both, never in a hole
    assert np.all(sound[:, between] >= low - 1e-4)
    assert np.all(sound[:, between] <= high + 1e-4)


def test_the_path_goes_by_mouse_slider_and_keys(chromium, server):
    """Steps, their numbers as keys, the slider's arrows, boxes by the space bar, R and back."""
    from selenium.webdriver.common.keys import Keys

    opened(chromium, server.url, "moves")
    body = chromium.find_element("tag name", "body")

    def ticked():
        return chromium.execute_script("return listening.ticked()")

    steps = chromium.find_elements("css selector", "#path button")
    hear = chromium.find_elements("css selector", "[data-rank='1'] [data-hear]")
    assert ticked() == [True] * 3
    assert text_of(chromium, "bars-note") == ""
    heard(chromium, lambda: click(chromium, steps[1]))
    assert ticked() == [True, False, False]
    row = chromium.find_element("css selector", "#bars [data-rank='1'] [data-track='4'] .figures")
    assert row.text == "62 %, as before"  # freed by the third move only
    heard(chromium, lambda: body.send_keys("2"))
    assert ticked() == [True, True, False]
    slider = chromium.find_element("id", "along")
    assert slider.get_attribute("aria-valuetext") == "moves 1, 2"
    heard(chromium, lambda: slider.send_keys(Keys.ARROW_RIGHT))
    assert ticked() == [True] * 3
    assert row.text == "62 % to 70 %"
    box = chromium.find_elements("css selector", "#path input")[0]
    heard(chromium, lambda: box.send_keys(Keys.SPACE))
    assert ticked() == [False, True, True]
    assert "not worked out" in text_of(chromium, "bars-note")
    heard(chromium, lambda: body.send_keys("r"))
    assert chromium.execute_script("return listening.player().current") == 0
    heard(chromium, lambda: body.send_keys("r"))
    assert chromium.execute_script("return listening.player().current") == 1
    heard(chromium, lambda: click(chromium, hear[1]))
    assert ticked() == [True, True, False]
    chromium.execute_script(
        "const s = document.getElementById('shown'); s.value = '2';"
        "document.getElementById('status').textContent = ''; s.dispatchEvent(new Event('change'))"
    )
    wait(chromium, lambda: is_ready(chromium))
    assert ticked() == [True] * 4
    assert silent_console(chromium)


def test_a_changed_layer_is_heard_alone_and_in_front(chromium, server):
    """Alone: the placed track itself, as the ticked moves have it; as the reference has it on R."""
    tap(chromium, server.url, "moves")
    name = CAST[STEPS[0][0]][0]
    for control, value in (("rest", "-Infinity"), ("focus", str(STEPS[0][0]))):
        chromium.execute_script(
            "document.getElementById('status').textContent = '';"
            "const c = document.getElementById(arguments[0]); c.value = arguments[1];"
            "c.dispatchEvent(new Event('change'))", control, value,
        )  # fmt: skip
    wait(chromium, lambda: is_ready(chromium))
    press(chromium, "play")
    time.sleep(0.4)
    choose_take(chromium, 0)
    time.sleep(0.4)
    gains = chromium.execute_script("return listening.player().sounds.map((one) => one.gain)")
    sound = captured(chromium)
    for piece, rank, gain in (
        (sound[:, 2000:9000], 1, gains[1]),
        (sound[:, -9000:-1000], 0, gains[0]),
    ):
        truth = gain * part(server, rank, name)
        count = piece.shape[1]
        starts = range(max(0, truth.shape[1] - count))
        first = int(np.argmin([np.abs(truth[0, n] - piece[0, 0]) for n in starts[:1]]))
        energy = [np.abs(truth[:, n : n + 64] - piece[:, :64]).max() for n in range(60_000)]
        first = int(np.argmin(energy))
        assert np.max(np.abs(truth[:, first : first + count] - piece)) < 1e-4
    assert chromium.execute_script(
        "return [...document.querySelectorAll('#focus option')].length"
    ) == 1 + sum(map(len, STEPS))  # fmt: skip


def test_a_loop_is_dragged_on_the_waveform(chromium, server):
    """A drag from a quarter to the half of the passage loops it; brackets move its ends."""
    from selenium.webdriver import ActionChains

    opened(chromium, server.url, "moves")
    canvas = chromium.find_element("id", "outline")
    width = canvas.size["width"]
    drag = ActionChains(chromium, duration=20).move_to_element_with_offset(canvas, -width // 4, 0)
    drag.click_and_hold().move_by_offset(width // 4, 0).release().perform()

    def passage():
        return [
            float(chromium.find_element("id", one).get_attribute("value")) for one in ("from", "to")
        ]

    assert passage() == pytest.approx([1.5, 3.0], abs=0.1)
    settings = chromium.execute_script("return listening.player().settings")
    assert [settings["from"], settings["to"]] == pytest.approx([1.5, 3.0], abs=0.1)
    chromium.execute_script("listening.player().seek(2)")
    chromium.find_element("tag name", "body").send_keys("[")
    assert passage() == pytest.approx([2.0, 3.0], abs=0.1)
    press(chromium, "everything")
    assert passage() == [0.0, 6.0]


def answers_of(folder):
    """What answers.toml says."""
    return tomllib.loads((folder / "answers.toml").read_text(encoding="utf-8"))


def test_moves_are_kept_and_refused_in_the_run(chromium, server):
    """Each press is written at once, moves of one step together; nothing left, nothing written."""
    folder = server.answers.folder
    opened(chromium, server.url, "moves")
    keep = chromium.find_elements("css selector", "[data-rank='1'] [data-verdict='keep']")
    refuse = chromium.find_elements("css selector", "[data-rank='1'] [data-verdict='refuse']")
    names = [[CAST[index][0] for index in step] for step in STEPS]

    def press_one(button):
        chromium.execute_script("document.getElementById('status').textContent = ''")
        click(chromium, button)
        wait(chromium, lambda: "answers.toml" in text_of(chromium, "status"))

    press_one(keep[0])
    press_one(refuse[2])
    assert answers_of(folder) == {"mix": 1, "kept": names[0], "refused": names[2]}
    assert f"kept: {names[0][0]}" in text_of(chromium, "answered-words")
    assert "--from" in text_of(chromium, "answered")
    opened(chromium, server.url, "moves")
    keep = chromium.find_elements("css selector", "[data-rank='1'] [data-verdict='keep']")
    assert [one.get_attribute("aria-pressed") for one in keep] == ["true", "false", "false"]
    press_one(keep[2])
    assert answers_of(folder) == {"mix": 1, "kept": [*names[0], *names[2]], "refused": []}
    press_one(keep[0])
    press_one(keep[2])
    assert not (folder / "answers.toml").exists()


def test_answers_of_a_page_opened_as_a_file_are_saved(chromium, server):
    """The very file that the server would write, handed over to be saved."""
    folder = server.answers.folder
    chromium.get(write_report(folder).as_uri())
    wait(chromium, lambda: len(label_texts(chromium)) == 2)
    button = "[data-rank='1'] [data-verdict='refuse']"
    click(chromium, chromium.find_elements("css selector", button)[1])
    chromium.execute_cdp_cmd("Browser.setDownloadBehavior", {
        "behavior": "allow", "downloadPath": str(folder)})  # fmt: skip
    press(chromium, "save-answers")
    wait(chromium, (folder / "answers.toml").exists)
    wait(chromium, lambda: "refused" in (folder / "answers.toml").read_text())
    assert answers_of(folder) == {"mix": 1, "kept": [], "refused": [CAST[STEPS[1][0]][0]]}


def test_memory_holds_a_template_of_sixty_tracks(chromium, server):
    """Bytes held for 60 moves of 20 s, by what this page holds for three of 6 s: below 500 MB."""
    opened(chromium, server.url, "moves")
    frames = 6 * RATE
    held = chromium.execute_script("return listening.bytes()")
    # the reference and two mixes as 32-bit stereo; each move as 16-bit stereo
    assert held == frames * (8 + 2 * 8 + 4 * len(STEPS))
    large = 20 * RATE
    layer_and_own_mix = large * (8 + 3 * 8)
    assert large * (8 + 2 * 8 + 4 * 60) + layer_and_own_mix < 500e6
    enter(chromium, "open")
    assert chromium.execute_script("return listening.path()") is None


def axe_core():
    """The script of axe-core, out of a package that carries it; its Python part is not needed."""
    for package in ("axe_playwright_python", "axe_core_python"):  # the newer one first
        spec = importlib.util.find_spec(package)
        if spec is not None and spec.submodule_search_locations:
            return (Path(spec.submodule_search_locations[0]) / "axe.min.js").read_text("utf-8")
    if os.environ.get("CI"):
        pytest.fail("CI needs the package axe-core-python")
    return pytest.skip("needs axe-core: pip install axe-core-python")


def test_no_serious_fault_of_access(chromium, server):
    """axe-core (open rules of WCAG) finds nothing serious: light and dark, wide and narrow."""
    script = axe_core()
    chromium.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})
    for scheme, width, mode in (("light", 1400, "moves"), ("dark", 360, "open")):
        paint(chromium, scheme)
        resize(chromium, width, 900)
        opened(chromium, server.url, mode)
        chromium.execute_script(script)
        found = chromium.execute_async_script(
            "axe.run().then((found) => arguments[0](found.violations))"
        )
        serious = [
            (one["id"], one["help"], [node["html"][:200] for node in one["nodes"][:3]])
            for one in found
            if one["impact"] in ("serious", "critical")
        ]
        assert serious == []
