"""The sheets of an export on paper, printed by a real browser."""

from __future__ import annotations

import base64
import re
from pathlib import Path
from typing import Any

import pytest
from markdown_it import MarkdownIt

from placer.result.export.package import ExportSource, export
from placer.result.page import asset
from tests.placer.export_source import responses_of

pytestmark = pytest.mark.browser

PAPER = {"A4": (210 / 25.4, 297 / 25.4), "Letter": (8.5, 11.0)}
"""Width and height, inch (ISO 216; ANSI Y14.1)."""


@pytest.mark.parametrize("paper", PAPER)
def test_a_path_of_few_moves_prints_on_one_page(
    chromium: Any, run_folder: Path, tmp_path: Path, paper: str
) -> None:
    """Both sheets of an export, Markdown in the same letters as the printable page."""
    out = export(run_folder, 1, tmp_path / "out", ExportSource(responses_of)).folder
    body = MarkdownIt("commonmark").render((out / "moves.md").read_text(encoding="utf-8"))
    other = tmp_path / "moves.html"
    other.write_text(f"<meta charset=utf-8><style>{asset('sheet.css')}</style>{body}", "utf-8")
    for path in (out / "moves.html", other):
        chromium.get(path.as_uri())
        width, height = PAPER[paper]
        printed = chromium.execute_cdp_cmd(
            "Page.printToPDF", {"paperWidth": width, "paperHeight": height}
        )
        pages = re.findall(rb"/Type\s*/Page\b", base64.b64decode(printed["data"]))
        assert len(pages) == 1, path
        assert (
            "Move 3. Low strings bed, Struck metal"
            in chromium.find_element("tag name", "body").text
        )
