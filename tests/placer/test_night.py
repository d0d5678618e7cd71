"""A night of cues: one that fails does not stop the others, and the morning page tells all."""

from __future__ import annotations

from collections import namedtuple
from pathlib import Path

import pytest
from msgspec.structs import replace

from placer.cli import main
from placer.cue.records import RUNGS
from placer.errors import FolderError
from placer.night import (
    PAGE,
    PREPARE_SECONDS,
    gained_words,
    job_of,
    night,
    run_folders,
    summary_page,
)
from placer.pipeline import RENDER_BEGINS, RENDER_SPEED
from placer.progress import Quiet
from placer.result.folder import open_run
from placer.search.batch import Outcome, Row
from tests.placer.result_run import changed, run_result
from tests.placer.small_cue import write_cue


@pytest.mark.usefixtures("quick")
def test_one_failing_cue_does_not_stop_the_night(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The good cue is searched and rendered, the bad one gets a line; exit code 2."""
    good = write_cue(tmp_path / "good")
    bad = write_cue(tmp_path / "bad").rename(tmp_path / "bad" / "broken.toml")
    (tmp_path / "bad" / "low.wav").unlink()
    out = tmp_path / "runs"
    code = main(["batch", str(bad), str(good), "--out", str(out)])
    told = capsys.readouterr()
    assert code == 2
    assert f"{bad}: failed; " in told.out
    assert "low.wav" in told.out
    assert f"{good}: done; all demands met" in told.out
    result = open_run(out / "cue-run").read_result()
    assert result.mixes
    page = (out / PAGE).read_text(encoding="utf-8")
    assert page.count("<tr>") == 3
    assert (out / "cue-run" / "report.html").as_uri() in page
    assert gained_words(result) in page
    assert "cost" not in page
    assert "harms hearing" in page


@pytest.mark.usefixtures("quick")
def test_a_disk_that_is_nearly_full_is_seen_before(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The cue that would fill it fails at once, with what is free; nothing is measured for it."""
    cue = write_cue(tmp_path / "good")
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr("placer.pipeline.shutil.disk_usage", lambda _: usage(10**9, 0, 64_200_000))
    measured: list[object] = []
    monkeypatch.setattr("placer.pipeline.make_ready", lambda *_, **__: measured.append(1))
    assert main(["batch", str(cue), "--out", str(tmp_path / "runs")]) == 2
    said = capsys.readouterr().out
    assert f"{cue}: failed; " in said
    assert "only 64 MB are free there, and what is rendered takes up to " in said
    assert "make room, or name another place with --out" in said
    assert not measured


def test_two_cues_never_share_a_folder(tmp_path: Path) -> None:
    """The second would go on in the run of the first."""
    cues = [write_cue(tmp_path / name) for name in ("a", "b")]
    out = tmp_path / "runs"
    assert run_folders(cues, out) == {
        cues[0]: out / "a-cue-run",
        cues[1]: out / "b-cue-run",
    }
    assert run_folders(cues[:1], out) == {cues[0]: out / "cue-run"}
    alike = [*cues, write_cue(tmp_path / "more" / "a")]
    for wrong in (alike, [cues[0], cues[0]]):
        with pytest.raises(FolderError, match="share one run folder"):
            run_folders(wrong, out)
    with pytest.raises(FolderError, match="share one run folder"):
        night(cues[:1] * 2, out=tmp_path / "runs", seconds=None, workers=1, screen=Quiet())
    (tmp_path / "file").write_text("x")
    with pytest.raises(FolderError, match="cannot be made"):
        night(cues[:1], out=tmp_path / "file", seconds=None, workers=1, screen=Quiet())


def test_without_time_nothing_is_begun(tmp_path: Path) -> None:
    """A night too short for the first cue leaves it alone and says so: exit code 1."""
    cue = write_cue(tmp_path / "a")
    end = night([cue], out=tmp_path / "runs", seconds=3.0, workers=1, screen=Quiet())
    assert end.code == 1
    assert end.lines[0] == f"{cue}: not reached; no time was left"
    assert not (tmp_path / "runs" / "cue-run").exists()


def test_a_cue_asks_for_time_by_its_tracks(tmp_path: Path) -> None:
    """Rendering is set aside by track-seconds; a cue that cannot be read still has its turn."""
    job = job_of(write_cue(tmp_path / "a"))
    assert job.size == 4.0
    # four tracks of three seconds in one mix a rung and the reference
    rendering = RENDER_BEGINS + 4 * 3.0 * (len(RUNGS) + 1) / RENDER_SPEED
    assert job.render_seconds == pytest.approx(PREPARE_SECONDS + rendering)
    assert job_of(tmp_path / "missing.toml").size == 1.0


def test_the_morning_page_shows_what_a_file_is_called(tmp_path: Path) -> None:
    """Names are text, never markup; a cue without a report has no link."""
    path = tmp_path / "a <b>.toml"
    row = Row(path, "failed", 61.0, Outcome(2, words="no <file>"))
    page = summary_page([row], {path: tmp_path})
    assert "a &lt;b&gt;.toml" in page
    assert "no &lt;file&gt;" in page
    assert "61 s" in page
    assert "report</a>" not in page


def test_a_night_says_what_a_listener_gains() -> None:
    """Mean audible share of the foreground at first and in every mix, and what it takes."""
    shares = (("reference", 0.2), ("mixes.0", 0.25), ("mixes.1", 0.3))
    result = changed(run_result(mixes=2), {
        f"{mix}.tracks.{index}.audibility": share + more
        for mix, share in shares for index, more in ((0, 0.0), (4, 0.1))
    })  # fmt: skip
    assert gained_words(result) == (
        "foreground audible 25.0 %; 30.0 % by moving 4 tracks, 35.0 % by moving 4 tracks"
    )
    assert gained_words(replace(result, mixes=())) == ""
