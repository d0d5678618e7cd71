"""What tests do with the page: press, wait, and read what it plays."""

from __future__ import annotations

import base64
import json
import time
from pathlib import Path

import numpy as np
import pytest

PROBE = (Path(__file__).parent / "probe.js").read_text(encoding="utf-8")
VOLUME = 10 ** (-20 / 20)
"""The page's own volume at the start."""


def samples(text):
    return np.frombuffer(base64.b64decode(text), np.float32).astype(float)


def decoded(driver):
    """What the page has decoded, one (2, frame) array a version."""
    found = driver.execute_script(f"{PROBE} return probe.buffers();")
    return [np.stack([samples(left), samples(right)]) for left, right in found]


def tap(driver, url, mode="open"):
    """Open a page with its output tapped (a tap needs the page's policy out of its way)."""
    driver.execute_cdp_cmd("Page.enable", {})
    driver.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})
    opened(driver, url, mode)
    done = driver.execute_async_script(f"{PROBE} probe.tap().then(arguments[0], arguments[0]);")
    assert done is True, done


def captured(driver):
    """Sound at the page's output from its first sound on, volume taken out; (2, frame)."""
    sound = samples(driver.execute_script(f"{PROBE} return probe.tapped();")).reshape(2, -1)
    first = int(np.flatnonzero(np.abs(sound).max(0) > 1e-5)[0])
    return sound[:, first:] / VOLUME


def wait(driver, condition, seconds=20.0):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return
        time.sleep(0.05)
    pytest.fail(f"not in {seconds} s; the page says {text_of(driver, 'status')!r}")


def text_of(driver, name):
    return driver.find_element("id", name).text


def is_ready(driver):
    return text_of(driver, "status").startswith("Ready")


def opened(driver, url, mode="open"):
    """Open a page and wait; `mode` is what is played: whole mixes by name, or "moves"."""
    driver.get(url)
    wait(driver, lambda: is_ready(driver))
    if mode != "moves":
        enter(driver, mode)


def enter(driver, mode):
    """Choose what is played, and wait until it is there."""
    driver.execute_script("document.getElementById('status').textContent = ''")
    press(driver, f"mode-{mode}")
    wait(driver, lambda: is_ready(driver))


def press(driver, name):
    driver.execute_script("document.getElementById(arguments[0]).click()", name)


def click(driver, item):
    """Press a thing with the mouse, out from under the player."""
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", item)
    item.click()


def choose_take(driver, index):
    driver.execute_script("document.querySelectorAll('#takes input')[arguments[0]].click()", index)


def position(driver):
    return driver.execute_script("return listening.player().position")


def label_texts(driver):
    """What the buttons of the versions say behind their key."""
    return driver.execute_script(
        "return [...document.querySelectorAll('#takes label')]"
        ".map((one) => one.textContent.slice(one.textContent.indexOf(' ') + 1))"
    )


def revealed(driver):
    return [item.text for item in driver.find_elements("css selector", "#revealed li")]


def page_data(driver):
    return json.loads(driver.execute_script("return document.getElementById('run').textContent"))


def votes(server):
    return json.loads((server.answers.folder / "votes.json").read_text(encoding="utf-8"))


def silent_console(driver):
    return [entry for entry in driver.get_log("browser") if entry["level"] != "INFO"] == []
