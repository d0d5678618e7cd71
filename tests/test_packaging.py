"""What a wheel holds."""

import tomllib
from pathlib import Path

ROOT = Path(__file__).parent.parent


def test_every_package_and_template_goes_into_the_wheel():
    """Each folder of modules is listed, and each template matches a glob of package data."""
    setup = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]
    folders = [
        str(path.parent.relative_to(ROOT)).replace("/", ".")
        for top in ("placer", "sim")
        for path in (ROOT / top).rglob("__init__.py")
    ]
    assert sorted(setup["packages"]) == sorted([*folders, "placer.configs"])
    assert setup["package-dir"]["placer.configs"] == "configs"
    endings = {
        path.suffix
        for path in (ROOT / "placer").rglob("*.*")
        if path.suffix in (".html", ".css", ".js")
    }
    assert {f"**/*{ending}" for ending in endings} <= set(setup["package-data"]["placer"])
