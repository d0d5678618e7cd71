"""A real Chromium without a screen, and a run folder served to it on 127.0.0.1."""

from __future__ import annotations

import json
import os
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from placer.result.listen import ListenServer
from tests.placer.result_run import write_run

BROWSER, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--autoplay-policy=no-user-gesture-required", "--disable-dev-shm-usage",
    "--allow-file-access-from-files=false",
)  # fmt: skip


def start(folder: Path, *, scheme: str = "light", width: int = 1400, height: int = 1000) -> Any:
    """Start Chromium with its own profile, logging its console and its requests."""
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = str(BROWSER)
    for flag in (*FLAGS, f"--user-data-dir={folder}", f"--window-size={width},{height}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    service = webdriver.ChromeService(executable_path=str(DRIVER))
    driver = webdriver.Chrome(options=options, service=service)
    driver.set_script_timeout(60)
    resize(driver, width, height)
    paint(driver, scheme)
    return driver


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """One browser for all tests; absent, they are skipped, but not where CI must have it."""
    if not (BROWSER and DRIVER):
        if os.environ.get("CI"):
            pytest.fail("CI needs the packages chromium and chromium-driver")
        pytest.skip("needs Chromium and its driver (Debian: chromium, chromium-driver)")
    driver = start(tmp_path_factory.mktemp("browser") / "profile")
    yield driver
    driver.quit()


@pytest.fixture
def chromium(browser: Any) -> Any:
    """The browser as it was at first: an empty page, the usual width, its page's own policy."""
    browser.get("about:blank")
    browser.execute_cdp_cmd("Page.setBypassCSP", {"enabled": False})
    resize(browser, 1400, 1000)
    paint(browser, "light")
    for log in ("browser", "performance"):
        browser.get_log(log)
    return browser


def paint(driver: Any, scheme: str) -> None:
    """Make the page light or dark."""
    feature = {"name": "prefers-color-scheme", "value": scheme}
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [feature]})


def resize(driver: Any, width: int, height: int) -> None:
    """Give the page a window of a size."""
    shape = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", shape)


@pytest.fixture(scope="session")
def run_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of three mixes and the reference, with placed stems."""
    folder = tmp_path_factory.mktemp("served") / "run"
    write_run(folder)
    return folder


@pytest.fixture
def server(run_folder: Path, tmp_path: Path) -> Iterator[ListenServer]:
    """A server of a copy of that run, so that votes do not meet."""
    copy = tmp_path / "run"
    shutil.copytree(run_folder, copy)
    with ListenServer(copy) as serving:
        thread = threading.Thread(target=serving.serve_forever, args=(0.02,), daemon=True)
        thread.start()
        yield serving
        serving.shutdown()
        thread.join()


def requested(driver: Any) -> list[str]:
    """Every address the page has asked for since the last call."""
    messages = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    return [
        message["params"]["request"]["url"]
        for message in messages
        if message["method"] == "Network.requestWillBeSent"
    ]
