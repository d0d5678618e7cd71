"""The whole line on the small cue: it repeats itself, goes on, and gives back what was heard."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from datetime import datetime
from pathlib import Path

import h5py
import numpy as np
import pytest
import soundfile
import wavinfo
from msgspec.structs import replace

from placer.audio import files
from placer.audio import survey as audio_survey
from placer.audio.checks import AudioInfo
from placer.audio.resample import Audio
from placer.cli import main
from placer.cue.read import read_cue
from placer.cue.records import RUNGS
from placer.errors import CueError, FolderError
from placer.pipeline import (
    HEARING,
    SearchOrder,
    begin_line,
    end_lines,
    export_mix,
    render_again,
    search,
)
from placer.progress import Quiet
from placer.result.export.wave import BroadcastWave, write_broadcast
from placer.result.facts import RUNG_WORDS
from placer.result.folder import RunFolder, claim, finite, open_run
from placer.result.model import Mix, Result
from placer.run import ready
from placer.run.ready import cue_hash, measuring_seconds, survey_cue
from placer.run.studies import StudyOrder
from tests.placer.by_hand import Session
from tests.placer.small_cue import RATE, SmallRun, Told, level_db, sound_of, write_cue


@pytest.mark.usefixtures("quick")
def test_the_same_search_gives_the_same_result(small_run: SmallRun, tmp_path: Path) -> None:
    """Same cue, seed and trials: result, mixes, sheets and report are the same bytes.

    Placed stems are the same samples; their headers hold the time of writing (libsndfile's PEAK
    chunk of float files).
    """
    screen = Told()
    search(SearchOrder(cue=small_run.cue, out=tmp_path / "again", trials=1, stems=True), screen)
    names = [
        p.relative_to(small_run.folder)
        for p in sorted(small_run.folder.rglob("*"))
        if p.is_file() and p.name not in ("log.txt", "study.journal", ".lock")
    ]
    assert len(names) > 10
    for name in names:
        first, second = small_run.folder / name, tmp_path / "again" / name
        if name.parts[0] == "placed":
            np.testing.assert_array_equal(sound_of(first), sound_of(second))
        else:
            assert first.read_bytes() == second.read_bytes(), name
    stages = [name for name, _ in screen.stages]
    assert [one for one in stages if not one.startswith("compiling")] == [
        "reading stems", "measuring the reference", "searching", "rendering",
        "measuring the mixes", "writing sheets and page",
    ]  # fmt: skip
    log = (tmp_path / "again" / "log.txt").read_text()
    assert all(stage in log for stage in stages[1:])
    assert log.rstrip().endswith("ended")


@pytest.mark.usefixtures("quick")
def test_a_stem_is_read_twice(
    small_run: SmallRun, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a whole search: once to survey and name it, once to render it, and between its passage."""
    read: Counter[str] = Counter()
    named: Counter[str] = Counter()

    def counted(facts: AudioInfo, file: soundfile.SoundFile, frames: int) -> Audio:
        read[str(facts.path)] += frames
        return read_block(facts, file, frames)

    def name_of(path: Path) -> str:
        named[str(path)] += 1
        return content_hash(path)

    read_block, content_hash = files._read_block, files.content_hash
    monkeypatch.setattr(files, "_read_block", counted)
    for module in (ready, audio_survey):
        monkeypatch.setattr(module, "content_hash", name_of)
    search(SearchOrder(cue=small_run.cue, out=tmp_path / "again", trials=1), Quiet())
    cue = read_cue(small_run.cue)
    assert cue.excerpt is not None
    most = 2 * 3.0 + cue.excerpt[1] - cue.excerpt[0] + 0.1  # s; conversion reads beyond its ends
    for path in (str(path) for track in cue.tracks for path in track.files):
        about = soundfile.info(path)
        assert 2 * about.frames <= read[path] <= most * about.samplerate
        assert named[path] == 1


def test_other_thread_counts_give_the_same_bytes(small_run: SmallRun, tmp_path: Path) -> None:
    """Two processes, each with a cache of its own, whatever the shell says of threads."""
    program = (
        "import sys, pytest; from pathlib import Path; from tests.conftest import shorten\n"
        "import placer\n"
        "from placer.pipeline import SearchOrder, search; from placer.progress import Quiet\n"
        "shorten(pytest.MonkeyPatch())\n"
        "search(SearchOrder(cue=Path(sys.argv[1]), out=Path(sys.argv[2]), trials=1), Quiet())\n"
    )
    for count in ("1", "2"):
        names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "NUMBA_NUM_THREADS")
        own = {**dict.fromkeys(names, count), "PLACER_CACHE": str(tmp_path / f"cache{count}")}
        subprocess.run(
            [sys.executable, "-c", program, str(small_run.cue), str(tmp_path / count)],
            check=True, env=os.environ | own, cwd=Path(__file__).parents[2],
        )  # fmt: skip
    written = [path for path in sorted((tmp_path / "1").rglob("*")) if path.is_file()]
    compared = [path for path in written if path.suffix in (".json", ".wav", ".md", ".csv")]
    assert len(compared) > 5
    for path in compared:
        other = tmp_path / "2" / path.relative_to(tmp_path / "1")
        assert path.read_bytes() == other.read_bytes(), path.name


def test_a_mix_beats_the_reference_and_holds_every_limit(small_run: SmallRun) -> None:
    """What is handed back costs less, in order of effort, and breaks nothing."""
    result = small_run.result
    rungs = [mix.rung for mix in result.mixes]
    assert rungs
    assert rungs == [rung for rung in RUNG_WORDS if rung in rungs]
    assert max(mix.cost for mix in result.mixes) < result.reference.cost
    for mix in result.all_mixes:
        assert mix.feasible
        assert mix.violations == {}
        assert mix.cost == pytest.approx(_total(result, mix), abs=1e-4)
    assert result.warnings == ()
    assert small_run.end.met
    assert not small_run.end.interrupted


def test_a_search_ends_by_naming_three_files(small_run: SmallRun) -> None:
    """Mixes by their rung, who is audible before and after, no cost; then what to open."""
    lines, result = small_run.end.lines, small_run.result
    folder = small_run.folder
    for line, mix in zip(lines, result.mixes, strict=False):
        assert line.startswith(f"Mix {mix.rank}: {RUNG_WORDS[mix.rung]}. ")
        assert re.search(r"Audible: .*low \d+ to \d+ %", line)
    assert not any("cost" in line for line in lines)
    assert lines[-5:-3] == (HEARING, f"written to {folder}; open")
    files = [shlex.split(line)[0] for line in lines[-3:]]
    assert files == [str(folder / name) for name in ("moves-01.md", "report.html", "mix-01.wav")]
    assert all(Path(file).is_file() for file in files)
    assert f"placer listen {folder}" in lines[-2]


def test_a_search_that_finds_nothing_names_the_page_and_the_reference(small_run: SmallRun) -> None:
    """No sheet is named that is not there; a folder with a space can be pasted."""
    folder = RunFolder(Path("a run"))
    lines = end_lines(folder, replace(small_run.result, mixes=()))
    files = [shlex.split(line)[0] for line in lines[-2:]]
    assert files == ["a run/report.html", "a run/reference.wav"]


def test_a_search_begins_by_saying_what_it_will_do_and_how_long(small_run: SmallRun) -> None:
    """Tracks, passage, time or trials, and what rendering takes; the night's log keeps it."""
    log = (small_run.folder / "log.txt").read_text(encoding="utf-8")
    front = [track.name for track in small_run.result.tracks if track.foreground]
    names = f"{', '.join(front[:-1])} and {front[-1]}" if len(front) > 1 else front[0]
    assert (
        "Small cue (invented): 4 tracks, 3 s; listens to 0.2 to 2.8 s for the layers that carry "
        f"the music, the foreground ({names}), "
        "searches placements in 1 trial of about 12 s, then renders up to 5 mixes within 5 s; "
        "Ctrl-C"
    ) in log
    assert log.index("Small cue (invented)") < log.index("measuring the reference")


def _total(result: Result, mix: Mix) -> float:
    """The named terms with their named weights."""
    return sum(result.weights[name] * value for name, value in mix.terms.items())


def test_a_time_that_measuring_may_use_up_is_called_little(small_run: SmallRun) -> None:
    """The first search of a large template; the line says that the next one begins further on."""
    surveyed = survey_cue(read_cue(small_run.cue), Quiet())
    measuring = measuring_seconds(surveyed.cue, surveyed.span)
    study = StudyOrder(surveyed.cue, surveyed, "", "", None, None, 1)
    words = "little for a first time; what is measured is kept for the next"
    assert words in begin_line(surveyed, study, 1.9 * measuring)
    assert words not in begin_line(surveyed, study, 2.1 * measuring)


def test_the_first_history_is_the_best_cost(small_run: SmallRun) -> None:
    """The report's line ends where the best mix is."""
    found = small_run.result.search
    assert found.trials == 1
    assert found.history[-1][0] == found.evaluations
    best = min(mix.cost for mix in small_run.result.mixes)
    assert found.history[-1][1] == pytest.approx(best, abs=1e-5)


@pytest.mark.slow
@pytest.mark.usefixtures("quick")
def test_a_search_goes_on(copied: SmallRun) -> None:
    """Trials add up: the first ones are not run again, and the result can only get better.

    Better is what gains more over all rungs; one that is missing is no better than those before it.
    """

    def gained(result: Result) -> float:
        costs = {mix.rung: mix.cost for mix in result.mixes}
        found = [result.reference.cost]
        for name in RUNGS[:-1]:
            found.append(min(found[-1], costs.get(name, found[-1])))
        return -sum(found)

    before = copied.result
    screen = Told()
    search(SearchOrder(cue=copied.cue, trials=2), screen)
    after = copied.result
    assert after.search.trials == 2
    assert after.search.history[0] == before.search.history[0]
    assert gained(after) >= gained(before)
    told = [line.split(":")[0] for line in screen.lines if "trial" in line.split(":")[0]]
    assert told[0] == "going on after 1 trial"
    assert set(told[1:]) <= {"trial 2", "trial 2 is better"}
    # enough already: nothing is searched, everything is rendered
    screen = Told()
    search(SearchOrder(cue=copied.cue, trials=2), screen)
    assert copied.result.mixes == after.mixes
    assert not any(line.startswith("trial") for line in screen.lines)


@pytest.mark.slow
def test_time_ends_a_search(small_run: SmallRun, tmp_path: Path) -> None:
    """A search of a few seconds is done in about that time and counts it down."""
    screen = Told()
    begun = time.monotonic()
    end = search(SearchOrder(cue=small_run.cue, out=tmp_path / "timed", seconds=6.0), screen)
    assert open_run(end.folder).read_result().search.trials >= 1
    assert time.monotonic() - begun < 40.0
    assert dict(screen.stages)["searching"] == pytest.approx(6.0, abs=6.0)


@pytest.mark.usefixtures("quick")
def test_another_seed_is_another_run(copied: SmallRun) -> None:
    """A folder holds one run: another seed, or a changed stem, needs another folder."""
    with pytest.raises(FolderError, match="name another folder with --out, and add --from"):
        search(SearchOrder(cue=copied.cue, trials=1, seed=7), Quiet())
    soundfile.write(copied.cue.parent / "low.wav", np.full(RATE, 0.1) * np.hanning(RATE), RATE)
    with pytest.raises(FolderError, match="stems or settings have changed"):
        search(SearchOrder(cue=copied.cue, trials=1), Quiet())


@pytest.mark.usefixtures("quick")
def test_a_demand_that_is_not_met_is_said(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """A target that the ceiling forbids: exit code 1 and a line, in the result and on screen."""
    cue = write_cue(tmp_path, target=-6.0)
    assert main(["search", str(cue), "--trials", "1"]) == 1
    shown = capsys.readouterr().out
    assert re.search(r"not met: reference\.wav: \d+\.\d LU below the loudness target", shown)
    result = open_run(tmp_path / "cue-run").read_result()
    assert any("true-peak ceiling of -1 dBTP comes first" in line for line in result.warnings)
    assert "not met: " + result.warnings[0] in shown
    log = (tmp_path / "cue-run" / "log.txt").read_text(encoding="utf-8").splitlines()
    told = [line[20:] for line in log]
    assert told[-1 - len(result.warnings) :] == [
        *(f"not met: {line}" for line in result.warnings), "ended",
    ]  # fmt: skip


def test_render_again_gives_the_same_sound(copied: SmallRun) -> None:
    """A mix that was lost comes back bit for bit, alone or with its placed stems."""
    mix = copied.folder / "mix-01.wav"
    other = copied.folder / "reference.wav"
    kept, kept_other = mix.read_bytes(), other.read_bytes()
    shutil.rmtree(copied.folder / "placed")
    mix.unlink()
    assert render_again(copied.folder, 1, stems=False, screen=Quiet())[-1] == HEARING
    assert mix.read_bytes() == kept
    assert other.read_bytes() == kept_other
    assert not (copied.folder / "placed").exists()
    assert main(["render", str(copied.folder), "--stems"]) == 0
    stems = sorted((copied.folder / "placed" / "01").glob("*.wav"))
    assert [stem.stem for stem in stems] == ["click", "high", "horns", "low"]
    total = sum(sound_of(stem) for stem in stems)
    assert level_db(total - sound_of(mix)) - level_db(total) < -100.0


def test_rendering_needs_no_search(copied: SmallRun, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither tables nor scores are made, nor is a stem read for anything but its sound."""
    for name in ("placer.run.evaluator.build", "placer.run.ready.survey"):
        monkeypatch.setattr(name, lambda *_, **__: pytest.fail("prepares a search"))
    kept = (copied.folder / "mix-01.wav").read_bytes()
    screen = Told()
    render_again(copied.folder, 1, stems=False, screen=screen)
    export_mix(copied.folder, 1, None, screen=screen)
    assert {name for name, _ in screen.stages} == {"rendering"}
    assert (copied.folder / "mix-01.wav").read_bytes() == kept


@pytest.mark.usefixtures("quick")
def test_an_aligned_recording_comes_back(copied: SmallRun, tmp_path: Path) -> None:
    """The delay that aligned it is in the result: the same bytes without its tables."""
    text = copied.cue.read_text().replace("blend = { close = -6.0 }", "stay = true\naligned = true")
    copied.cue.write_text(text)
    search(SearchOrder(cue=copied.cue, out=tmp_path / "aligned", trials=1), Quiet())
    found = open_run(tmp_path / "aligned").read_result().reference.tracks[2]
    assert found.close_delay_ms == pytest.approx(9.0, abs=0.3)
    before = {path.name: path.read_bytes() for path in (tmp_path / "aligned").glob("*.wav")}
    render_again(tmp_path / "aligned", None, stems=False, screen=Quiet())
    assert before == {p.name: p.read_bytes() for p in (tmp_path / "aligned").glob("*.wav")}


def test_a_rank_that_is_not_there_is_refused(copied: SmallRun) -> None:
    """One line names those that are."""
    count = len(copied.result.mixes)
    with pytest.raises(FolderError, match=rf"--rank 9: .*0 \(reference\) to {count}"):
        render_again(copied.folder, 9, stems=False, screen=Quiet())
    with pytest.raises(FolderError, match=rf"--rank 0: .* 1 to {count}"):
        export_mix(copied.folder, 0, None, screen=Quiet())


def test_a_changed_cue_is_refused(copied: SmallRun) -> None:
    """Sound that belongs to other stems is never rendered under a run's name."""
    text = copied.cue.read_text().replace("reach = 1.5", "reach = 1.0")
    copied.cue.write_text(text)
    for command in (
        lambda: render_again(copied.folder, 1, stems=False, screen=Quiet()),
        lambda: export_mix(copied.folder, 1, None, screen=Quiet()),
    ):
        with pytest.raises(CueError, match="have changed since this run"):
            command()


def test_a_session_set_by_hand_from_the_read_me_is_the_mix(
    copied: SmallRun, tmp_path: Path
) -> None:
    """Dry mono and stereo, recorded and untouched tracks, by scipy and the read-me of each mix.

    After the first action reference.wav, after the last one the mix; after every move between them
    the tracks that the renderer placed. By one response a track and by one a position.
    """
    stems: dict[str, np.ndarray | dict[str, np.ndarray]] = {
        name: _at_rate(copied.cue.parent / f"{name}.wav") for name in ("low", "high", "click")
    }
    stems["horns"] = {
        at: sound_of(copied.cue.parent / f"horns_{at}.{kind}")
        for at, kind in (("close", "wav"), ("tree", "flac"))
    }
    moved_at_all = set()
    reference = sound_of(copied.folder / "reference.wav")
    placed = [_placed(copied, 0)]
    for mix in copied.result.mixes:
        out = tmp_path / str(mix.rank)
        assert export_mix(copied.folder, mix.rank, out, screen=Quiet())[0] == f"written to {out}"
        placed[1:] = [_placed(copied, mix.rank)]
        to_reference = 10 ** ((copied.result.reference.gain_db - mix.gain_db) / 20)
        session = Session(out, stems)
        moved: set[str] = set()
        for number, told in enumerate(session.actions):
            session.do(number)
            moved |= set(told.tracks) if number else set()
            wanted = sum(
                to_reference * placed[1][name] if name in moved else placed[0][name]
                for name in stems
            )
            if told.title.startswith(("Start", "End")):
                wanted = sound_of(copied.folder / mix.file) if number else reference
            for positions in (False, True):
                found = session.play(reference.shape[1], positions=positions)
                # 0.05 dB of a recorded track's make-up is -44.8 dB, 0.005 dB of the master -64.8 dB
                most = -44.0 if "horns" in moved else -60.0
                assert level_db(found - wanted) - level_db(wanted) < most, told.title
        assert moved == {name for step in mix.steps for name in step.tracks}
        moved_at_all |= moved
    assert moved_at_all == {"low", "high", "horns"}


def _placed(run: SmallRun, rank: int) -> dict[str, np.ndarray]:
    """Every track as the renderer places it in a mix."""
    render_again(run.folder, rank, stems=True, screen=Quiet())
    folder = run.folder / "placed" / f"{rank:02d}"
    return {path.stem: sound_of(path) for path in folder.glob("*.wav")}


def _at_rate(path: Path) -> np.ndarray:
    """A stem at the cue's rate, as every part of the tool reads it."""
    from placer.audio.files import read_stem

    return read_stem(path, RATE).samples.astype(float)


def test_exported_microphones_are_what_the_positions_are_mixed_of(
    copied: SmallRun, tmp_path: Path
) -> None:
    """SOFA by h5py: microphones mixed by hand are the exported responses of tree and hall.

    Left and right to their sides, the tree's centre to both at -3 dB, at the placement's width; the
    tree then turned by a constant-power pan, the hall not.
    """
    export_mix(copied.folder, 1, tmp_path / "out", screen=Quiet())
    place = tmp_path / "out" / "responses" / "reference"
    (track,) = (one for one in copied.result.reference.tracks if one.name == "low")
    with h5py.File(place / "sofa" / "low.sofa") as file:
        heard = file["Data.IR"][0, :, :, 0]
        names = [b"".join(row).decode().strip("\0") for row in file["ReceiverDescriptions"][:]]
        assert names[:4] == ["close", "tree left", "tree centre", "tree right"]
        seat = file["SourcePosition"][0]
        np.testing.assert_allclose(seat[:2], [track.seat[1], -track.seat[0]])
    left = heard[1] + heard[2] / np.sqrt(2)
    right = heard[3] + heard[2] / np.sqrt(2)
    angle = np.pi / 4 * (track.pan + 1)
    for name, pair, turn in (
        ("tree", (left, right), np.sqrt(2) * np.array([[np.cos(angle)], [np.sin(angle)]])),
        ("hall", (heard[6], heard[7]), np.ones((2, 1))),
    ):
        middle, side = 0.5 * (pair[0] + pair[1]), 0.5 * track.width * (pair[0] - pair[1])
        wanted = turn * np.stack([middle + side, middle - side])
        found = sound_of(place / "positions" / f"low {name}.wav")
        gain = np.sum(found * wanted) / np.sum(wanted**2)
        assert level_db(found - gain * wanted) - level_db(found) < -90.0


def test_exported_stems_begin_where_the_originals_do(copied: SmallRun, tmp_path: Path) -> None:
    """Two originals say ten o'clock in their bext chunk: so do all placed stems."""
    cue = copied.cue
    for name in ("low", "click"):
        path = cue.parent / f"{name}.wav"
        sound, rate = soundfile.read(path, always_2d=True)
        about = BroadcastWave("made here", datetime(2025, 1, 2), 36_000 * rate)
        write_broadcast(path, [sound.T], rate, channels=sound.shape[1], about=about)
    result = copied.result
    result = replace(result, cue=replace(result.cue, hash=cue_hash(read_cue(cue))))
    RunFolder(copied.folder).write_result(result)
    export_mix(copied.folder, 1, tmp_path / "out", screen=Quiet())
    for path in (tmp_path / "out" / "stems").glob("*.wav"):
        assert wavinfo.WavInfoReader(str(path)).bext.time_reference == 36_000 * RATE
    assert "as your own stems say" in " ".join(
        (tmp_path / "out" / "README.txt").read_text().split()
    )


def test_cli_export_and_its_place(copied: SmallRun, capsys: pytest.CaptureFixture) -> None:
    """RUN/export-NN unless told otherwise, and never over something else."""
    assert main(["export", str(copied.folder), "--rank", "1"]) == 0
    assert (copied.folder / "export-01" / "README.txt").is_file()
    assert main(["export", str(copied.folder), "--rank", "1"]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert "export-01" in error


@pytest.mark.slow
def test_two_workers_share_a_study(small_run: SmallRun, tmp_path: Path) -> None:
    """Each of two processes runs trials of its own, none of them twice."""
    out = tmp_path / "two"
    code = main(["search", str(small_run.cue), "--out", str(out), "--time", "15", "--workers", "2"])
    assert code == 0
    result = open_run(out).read_result()
    assert result.search.workers == 2
    assert result.search.trials >= 2
    assert result.mixes[0].cost < result.reference.cost
    journal = (out / "study.journal").read_text()
    seeds = re.findall(r'seed\\*": ?(\d+)', journal)
    assert len(set(seeds)) == len(seeds) == result.search.trials


@pytest.mark.slow
def test_an_interrupted_search_keeps_its_work(small_run: SmallRun, tmp_path: Path) -> None:
    """Ctrl-C while searching: exit 130, and result, mixes and report are there all the same."""
    out = tmp_path / "stopped"
    process = subprocess.Popen(
        [sys.executable, "-m", "placer.cli", "search", str(small_run.cue), "--out", str(out),
         "--time", "10m"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
    )  # fmt: skip
    try:
        log = out / "log.txt"
        until = time.monotonic() + 120.0
        while time.monotonic() < until and process.poll() is None:
            if log.exists() and "searching" in log.read_text():
                time.sleep(5.0)  # well into its only trial
                break
            time.sleep(0.2)
        process.send_signal(signal.SIGINT)
        shown, wrong = process.communicate(timeout=120.0)
    finally:
        process.kill()
    assert process.returncode == 130, wrong
    result = open_run(out).read_result()
    assert result.search.trials >= 1
    assert result.mixes[0].cost < result.reference.cost
    assert (out / "report.html").is_file()
    assert "written to" in shown
    # and it goes on from there
    assert main(["search", str(small_run.cue), "--out", str(out), "--trials", "1"]) == 0
    assert open_run(out).read_result().search.trials >= result.search.trials


def test_claim_makes_a_folder_or_goes_on(tmp_path: Path) -> None:
    """A new folder, an empty one, one that only a killed search left, one of the same cue."""
    run = claim(tmp_path / "a" / "b", "hash")
    assert run.path.is_dir()
    claim(run.path, "hash")
    run.journal.write_text("{}")
    run.log.write_text("begun")
    run.mix(0).write_bytes(b"")  # killed while rendering: the journal shows whose it is
    assert claim(run.path, "hash") == run


def test_claim_refuses_what_is_not_its_own(tmp_path: Path) -> None:
    """A file, a folder of other things, a folder that cannot be made: one line each."""
    file = tmp_path / "file"
    file.write_text("x")
    with pytest.raises(FolderError, match="is a file"):
        claim(file, "hash")
    with pytest.raises(FolderError, match="cannot be made"):
        claim(file / "below", "hash")
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "tree.jpg").write_bytes(b"x")
    with pytest.raises(FolderError, match=r"other files \(tree\.jpg\)"):
        claim(tmp_path / "photos", "hash")


def test_one_search_at_a_time_in_a_folder(tmp_path: Path) -> None:
    """The second is refused while the first runs, and let in afterwards."""
    run = claim(tmp_path / "run", "hash")
    with run.owned(), pytest.raises(FolderError, match="another placer"), run.owned():
        pass
    with run.owned():
        pass
    with pytest.raises(FolderError, match="no folder"):
        open_run(tmp_path / "nothing")
    with pytest.raises(FolderError, match="holds no result"):
        run.read_result()


def test_results_hold_numbers_only() -> None:
    """NaN and infinity never reach a result; minus zero reads as zero."""
    assert finite(1.23456789) == 1.234568
    assert str(finite(-0.0000001)) == "0.0"
    for value in (float("nan"), float("inf")):
        with pytest.raises(ValueError, match="cannot be part of a result"):
            finite(value)
