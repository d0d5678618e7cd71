"""The page itself: keys, names, widths, requests, and life as a file."""

from __future__ import annotations

import json
import shutil
import time

import numpy as np
import pytest
import soundfile

from placer.result.report import write_report
from tests.browser.conftest import requested, resize
from tests.browser.handling import (
    choose_take,
    decoded,
    enter,
    is_ready,
    label_texts,
    opened,
    position,
    press,
    revealed,
    silent_console,
    wait,
)

pytestmark = pytest.mark.browser


def test_keys_play_switch_and_fold(chromium, server):
    """Space, digits and M do what the page says, but not while a note is written."""
    from selenium.webdriver.common.keys import Keys

    opened(chromium, server.url)
    body = chromium.find_element("tag name", "body")
    body.send_keys("2")
    assert chromium.execute_script("return listening.player().current") == 2
    body.send_keys("r")
    assert chromium.execute_script("return listening.player().current") == 0
    body.send_keys("r")
    assert chromium.execute_script("return listening.player().current") == 2
    body.send_keys("-", "+", "+")
    assert chromium.execute_script("return listening.player().settings.volume") == -18
    body.send_keys(Keys.SPACE)
    wait(chromium, lambda: position(chromium) > 0.1)
    body.send_keys("m")
    assert chromium.find_element("id", "mono").is_selected()
    body.send_keys(Keys.SPACE)
    assert chromium.execute_script("return listening.player().playing") is False
    chromium.find_element("id", "note").send_keys("1 m")
    assert chromium.execute_script("return listening.player().current") == 2
    assert chromium.find_element("id", "mono").is_selected()


def test_no_errors_and_no_outside_requests(chromium, server):
    """All modes tried: a silent console, and every request goes to this server."""
    requested(chromium)
    opened(chromium, server.url)
    for mode in ("mode-blind", "mode-abx", "mode-moves", "mode-open"):
        press(chromium, mode)
        time.sleep(0.5)
    press(chromium, "play")
    time.sleep(0.3)
    asked = requested(chromium)
    assert asked
    assert all(url.startswith((server.url, "data:")) for url in asked)
    assert silent_console(chromium)


def test_every_control_has_a_name(chromium, server):
    """What can be operated is named for a screen reader, and every picture is described."""
    opened(chromium, server.url)
    tree = chromium.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
    kinds = {"button", "slider", "checkbox", "radio", "combobox", "spinbutton", "textbox"}
    found = [n for n in tree if n.get("role", {}).get("value") in kinds and not n["ignored"]]
    assert len(found) >= 15
    assert [n for n in found if not n.get("name", {}).get("value")] == []
    for svg in chromium.find_elements("css selector", "svg.figure"):
        about = svg.get_attribute("aria-labelledby").split()
        texts = [
            chromium.execute_script("return document.getElementById(arguments[0]).textContent", one)
            for one in about
        ]
        assert len(texts) == 2
        assert all(texts)


@pytest.mark.parametrize("width", [360, 700, 1600])
def test_nothing_spills_over_the_side(chromium, server, width):
    """At both widths the page needs no sideways scrolling."""
    resize(chromium, width, 800)
    opened(chromium, server.url, "moves")
    chromium.execute_script(
        "for (const one of document.querySelectorAll('#focus option:last-child, #path .of'))"
        "one.textContent = 'long name '.repeat(12)"
    )
    assert chromium.execute_script("return document.documentElement.scrollWidth") <= width


@pytest.fixture
def report(run_folder, tmp_path):
    """The run as a folder with its report, opened without a server."""
    copy = tmp_path / "opened"
    shutil.copytree(run_folder, copy)
    return write_report(copy)


def test_opened_as_a_file_it_plays_and_says_what_is_lost(chromium, report):
    """Plain players: switching keeps the position within a tenth of a second; mono is off."""
    requested(chromium)
    chromium.get(report.as_uri())
    wait(chromium, lambda: label_texts(chromium) == ["Reference", "Mix 1: few moves"])
    told = chromium.find_element("css selector", ".file-mode").text
    assert "Opened as a file" in told
    assert "placer listen RUN" in told  # what works, what does not, and the command for the rest
    assert not chromium.find_element("id", "mono").is_enabled()
    press(chromium, "play")
    wait(chromium, lambda: position(chromium) > 0.4)
    before, at = position(chromium), time.monotonic()
    choose_take(chromium, 1)
    time.sleep(0.3)
    assert position(chromium) == pytest.approx(before + time.monotonic() - at, abs=0.25)
    volume = chromium.execute_script("return listening.player().audio.volume")
    assert volume == pytest.approx(0.1, rel=1e-3)
    assert all(url.startswith(("file:", "data:")) for url in requested(chromium))
    assert silent_console(chromium)


def test_with_its_folder_chosen_a_file_works_as_served(chromium, report):
    """The files are decoded exactly, and a blind vote can be downloaded."""
    chromium.get(report.as_uri())
    wait(chromium, lambda: len(label_texts(chromium)) == 2)
    chromium.find_element("id", "folder").send_keys(str(report.parent))
    wait(chromium, lambda: is_ready(chromium))
    assert label_texts(chromium) == ["Reference", "Ticked moves"]
    enter(chromium, "open")
    truth, _ = soundfile.read(report.parent / "mix-02.wav", always_2d=True)
    np.testing.assert_allclose(decoded(chromium)[2], truth.T, atol=1e-7)
    assert chromium.find_element("id", "focus").is_enabled()
    press(chromium, "mode-blind")
    wait(chromium, lambda: is_ready(chromium) and label_texts(chromium)[0] == "A")
    takes = chromium.execute_script("return document.getElementById('takes').outerHTML")
    assert not any(word in takes for word in ("Mix", "Reference", "mix-"))
    press(chromium, "best")
    wait(chromium, lambda: revealed(chromium))
    chromium.execute_cdp_cmd("Browser.setDownloadBehavior", {
        "behavior": "allow", "downloadPath": str(report.parent)})  # fmt: skip
    press(chromium, "download")
    saved = report.parent / "votes.json"
    wait(chromium, saved.exists)
    record = json.loads(saved.read_text())
    assert record["votes"][0]["blind"] is True
    assert record["votes"][0]["among"] == [0, 1, 2, 3]
    assert silent_console(chromium)
