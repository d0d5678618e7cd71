"""Damaged input of every kind for as long as one likes: nothing may crash, nor write elsewhere.

    python -m tests.hard.fuzz --minutes 15 --seed 1

In turn: a cue file, the head of a stem, a result file, answers to moves, an HTTP request of the
listening page, and now and then a whole command on a harmed run. Refusing in one line is right.
A *fault* is any other exception, a message of several lines, an answer that HTTP does not know, a
case that takes longer than `LONGEST`, and a write outside the run, which an audit hook of the
interpreter sees as it is tried. A seed and a number name a case: `--only NUMBER` runs it alone.

*Conventions*: case N draws from `random.Random(f"{seed} {N}")`, whatever ran before it.

`Fuzz`: the cases. `Guard`: where may be written. `main`: the program.

Sources
-------
PEP 578 (audit hooks); RFC 9110 (status codes).
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import random
import shutil
import socket
import sys
import tempfile
import threading
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from placer.audio.files import content_hash
from placer.audio.survey import survey
from placer.cli import main as placer
from placer.cue.read import read_cue
from placer.errors import PlacerError
from placer.pipeline import SearchOrder, search
from placer.progress import Quiet
from placer.result.answered import read_answers, stored_answers
from placer.result.listen import ListenServer
from placer.run.ready import cue_hash, survey_cue
from placer.run.unit_options import units_of
from tests.conftest import shorten
from tests.hard.consumers import use_result
from tests.hard.damage import damaged, torn
from tests.placer.result_run import write_run
from tests.placer.small_cue import write_cue

LONGEST = 30.0
"""s that a case may take; a whole command renders."""

WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
CHANGES = {
    "os.mkdir": (0,), "os.remove": (0,), "os.rename": (0, 1), "os.rmdir": (0,), "os.truncate": (0,),
    "os.link": (1,), "os.symlink": (1,), "shutil.rmtree": (0,), "os.chmod": (0,), "os.utime": (0,),
}  # fmt: skip
"""Audit events that change a file system, with the places of the paths that they change."""

HEADS = ("WAV", "FLAC", "AIFF", "WAVEX", "RF64", "CAF")
ANSWERS = b'mix = 1\nkept = ["low", "horns"]\nrefused = ["high"]\n'
TARGETS = (
    "/", "/audio/{t}", "/audio/{t}/0", "/parts/1/0", "/parts/00/0", "/answers", "/votes",
    "/rounds", "/abx/start", "/abx/trial", "/abx/answer", "/abx/finish", "/abx/..",
    "/../result.json", "/audio/../../result.json", "/audio/%2e%2e%2fresult.json", "/parts/../1",
    "//etc/passwd", "/parts/1/..%2f..", "/audio/\\..\\x", "*", "http://elsewhere/", "",
)  # fmt: skip
METHODS = (*("GET", "POST") * 6, "HEAD", "PUT", "OPTIONS", "get", "TRACE", "\x00")
BODIES: tuple[dict[str, Any], ...] = (
    {}, {"mode": "blind"}, {"chosen": 1, "among": [0, 1], "passage": [0.0, 1.0], "note": ""},
    {"mix": 1, "kept": ["Horns"], "refused": []}, {"a": 0, "b": 1}, {"series": "x", "choice": 0},
    {"round": "x", "choice": 0, "note": "n", "mono": False, "track": None},
)  # fmt: skip


class Fault(Exception):
    """What must not happen, in one line."""


class Guard:
    """Sees every write of this process and knows where one is allowed."""

    def __init__(self) -> None:
        self.allowed: tuple[str, ...] | None = None
        self.strays: list[str] = []
        sys.addaudithook(self._hook)

    @contextlib.contextmanager
    def within(self, *folders: Path) -> Iterator[None]:
        """Writes below these folders only; a stray one is a fault."""
        self.strays.clear()
        self.allowed = tuple(f"{folder.resolve()}/" for folder in folders)
        try:
            yield
        finally:
            self.allowed = None
        if self.strays:
            raise Fault(f"writes outside the run: {self.strays[:3]}")

    def _hook(self, event: str, arguments: tuple[Any, ...]) -> None:
        allowed = self.allowed
        if allowed is None:
            return
        if event == "open":
            changed = (0,) if arguments[2] & WRITES else ()
        else:
            changed = CHANGES.get(event, ())
        for index in changed:
            path = arguments[index]
            if not isinstance(path, str | bytes | os.PathLike):
                continue  # a descriptor: its opening was seen
            place = os.path.realpath(Path(_base(event, arguments, index), os.fsdecode(path)))
            if not f"{place}/".startswith(allowed) and place != os.devnull:
                self.strays.append(f"{event} {place}")


def _base(event: str, arguments: tuple[Any, ...], index: int) -> str:
    """Folder that a relative path starts from: `shutil.rmtree` names one by its descriptor."""
    if event == "open" or len(arguments) < 2:
        return "."
    descriptor = arguments[2 + index] if event == "os.rename" else arguments[-1]
    if not isinstance(descriptor, int) or descriptor < 0:
        return "."
    return str(Path(f"/proc/self/fd/{descriptor}").readlink())


class Served(ListenServer):
    """The server under test; remembers what would be printed as a traceback."""

    def __init__(self, run: Path) -> None:
        super().__init__(run)
        self.faults: list[str] = []

    def handle_error(self, request: Any, client_address: Any) -> None:  # noqa: ARG002
        """Keep what is not a browser that hangs up."""
        if not isinstance(sys.exc_info()[1], ConnectionError | TimeoutError):
            self.faults.append(traceback.format_exc())


class Fuzz:
    """The cases, on a small finished run that is searched once.

    Parameters
    ----------
    folder : Path
        For everything; must not exist.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.cue = write_cue(folder / "small")
        with pytest.MonkeyPatch.context() as patch:
            shorten(patch)
            self.run = search(SearchOrder(cue=self.cue, trials=1), Quiet()).folder
        self.result = json.loads((self.run / "result.json").read_text())
        self.text = self.cue.read_bytes()
        self.sounds = self._sounds()
        write_run(folder / "heard", mixes=2, seconds=1.0)
        self.place = folder / "case"
        self.guard = Guard()
        self.server = Served(folder / "heard")
        threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True).start()
        self.kinds: tuple[Callable[[random.Random], str], ...] = (
            self.cue_file, self.stem, self.result_file, self.answers, self.request,
        )  # fmt: skip

    def _sounds(self) -> list[bytes]:
        sound = 0.1 * np.random.default_rng(1).standard_normal((4800, 2))
        found = []
        for kind in HEADS:
            buffer = io.BytesIO()
            soundfile.write(buffer, sound, 48000, "PCM_24", format=kind)
            found.append(buffer.getvalue())
        return found

    def case(self, number: int, seed: int) -> tuple[str, str]:
        """Run one case: its kind, and what became of it.

        Raises
        ------
        Exception
            The fault.
        """
        rng = random.Random(f"{seed} {number}")
        kind = self.command if number % 101 == 100 else self.kinds[number % len(self.kinds)]
        shutil.rmtree(self.place, ignore_errors=True)
        begun = time.monotonic()
        try:
            became = kind(rng)
        except PlacerError as error:
            if "\n" in str(error) or not str(error):
                raise Fault(f"a message of several lines: {error}") from error
            became = "refused"
        if time.monotonic() - begun > LONGEST:
            raise Fault(f"{kind.__name__} took {time.monotonic() - begun:.0f} s")
        return kind.__name__, became

    def cue_file(self, rng: random.Random) -> str:
        """A torn cue file beside its stems, read as `check` reads it."""
        shutil.copytree(self.cue.parent, self.place, ignore=shutil.ignore_patterns("*-run"))
        path = self.place / "cue.toml"
        path.write_bytes(_little_torn(self.text, rng))
        with self.guard.within(self.place / "nothing"):
            cue = read_cue(path)
            units_of(cue)
            cue_hash(cue)
            survey_cue(cue, Quiet())
        return "used"

    def stem(self, rng: random.Random) -> str:
        """A stem whose first bytes are torn, read from end to end."""
        self.place.mkdir()
        path = self.place / f"stem.{rng.choice(('wav', 'flac', 'aif', 'mp3'))}"
        sound = rng.choice(self.sounds)
        head = rng.choice((16, 64, 200, len(sound)))
        path.write_bytes(torn(sound[:head], rng) + sound[head:])
        with self.guard.within(self.place / "nothing"):
            found = survey([path], rng.choice((44100, 48000)))
            content_hash(path)
        if not np.isfinite(found.seconds) or found.seconds > 3600.0:
            raise Fault(f"a stem of {found.seconds} s")
        return "used"

    def _harmed_run(self, rng: random.Random) -> Path:
        """A copy of the run without its sound, whose result is torn or damaged."""
        run = self.place / "run"
        shutil.copytree(self.run, run, ignore=shutil.ignore_patterns("*.wav"))
        if rng.random() < 0.3:
            body = torn(json.dumps(self.result).encode(), rng)
        else:
            body = json.dumps(damaged(self.result, rng)).encode("utf-8", "surrogatepass")
        (run / "result.json").write_bytes(body)
        return run

    def result_file(self, rng: random.Random) -> str:
        """A harmed result, read by everything that reads one."""
        run = self._harmed_run(rng)
        with self.guard.within(run):
            use_result(run)
        return "used"

    def answers(self, rng: random.Random) -> str:
        """Torn answers to the moves of a run, read by the page and by a search."""
        run = self.place / "run"
        shutil.copytree(self.run, run, ignore=shutil.ignore_patterns("*.wav"))
        (run / "answers.toml").write_bytes(_little_torn(ANSWERS, rng))
        with self.guard.within(run):
            stored_answers(run)
            use_result(run)
            read_answers(run, read_cue(self.cue))
        return "used"

    def command(self, rng: random.Random) -> str:
        """A whole command on a harmed run: it may write into that run alone."""
        run = self._harmed_run(rng)
        words = rng.choice((["export", str(run), "--rank", "1"], ["render", str(run)],
                            ["learn", str(run)]))  # fmt: skip
        said = io.StringIO()
        with (
            self.guard.within(run, Path(os.environ["PLACER_CACHE"])),
            contextlib.redirect_stderr(said), contextlib.redirect_stdout(io.StringIO()),
        ):  # fmt: skip
            code = placer(words)
        if code not in (0, 1, 2) or "Traceback" in said.getvalue():
            raise Fault(f"{words[0]} ends with {code}: {said.getvalue()[-500:]}")
        return f"{words[0]} {code}"

    def request(self, rng: random.Random) -> str:
        """A request that no browser would send; the answer is HTTP, and the server lives on."""
        port = self.server.server_port
        target = rng.choice(TARGETS).replace("{t}", str(rng.choice(("x", "0", "../0"))))
        body = json.dumps(damaged(rng.choice(BODIES), rng)).encode("utf-8", "surrogatepass")
        body = torn(body, rng) if rng.random() < 0.3 else body
        length = rng.choice((len(body), len(body), -1, 0, len(body) // 2, 10**9, 70_000, "x"))
        host = rng.choice((f"127.0.0.1:{port}",) * 6 + ("elsewhere.example", "", "127.0.0.1"))
        origin = rng.choice(
            (f"http://127.0.0.1:{port}",) * 6 + ("http://elsewhere.example", "null")
        )
        span = rng.choice(
            ("bytes=0-9", "bytes=-1", "bytes=9-1", "bytes=0-,5-", "x" * 9000, "lines=1")
        )
        text = (
            f"{rng.choice(METHODS)} {target} HTTP/1.{rng.choice((0, 1, 1, 1, 7))}\r\n"
            f"Host: {host}\r\nOrigin: {origin}\r\nRange: {span}\r\nContent-Length: {length}\r\n\r\n"
        ).encode()
        if rng.random() < 0.4:
            text = torn(text, rng)
        with self.guard.within(self.folder / "heard"):
            answer = asked(port, text + body)
            if self.server.faults:
                raise Fault(self.server.faults.pop())
        if not answer:
            return "closed"
        status = answer.split(b"\r\n", 1)[0].split(b" ")
        if answer.startswith(b"HTTP/1.") and len(status) > 1:
            code = int(status[1])
            foreign = host != f"127.0.0.1:{port}" and text.count(b"elsewhere.example")
            if not (200 <= code < 600) or (code == 200 and foreign and b"Host: els" in text):
                raise Fault(f"answer {code} to {text!r}")
            if b"root:" in answer or b"placer.result/1" in answer and target.endswith("json"):
                raise Fault(f"a file is given away: {text!r}")
            return str(code)
        if answer.startswith(b'{"error"') or b"Error code" in answer:
            return "0.9"  # a request of two words has no version, its answer no status line
        raise Fault(f"no HTTP: {answer[:80]!r} to {text!r}")


def _little_torn(text: bytes, rng: random.Random) -> bytes:
    """Torn at two lines at the most, so that much of it still says something."""
    lines = text.splitlines(keepends=True)
    for _ in range(rng.randint(1, 2)):
        at = rng.randrange(len(lines))
        if rng.random() < 0.5:
            lines[at] = torn(lines[at], rng)
        else:
            lines.insert(rng.randrange(len(lines)), lines.pop(at))
    return b"".join(lines)


def asked(port: int, sent: bytes) -> bytes:
    """Send bytes, say that no more come, and read the whole answer."""
    with socket.create_connection(("127.0.0.1", port), timeout=10.0) as line:
        found = b""
        with contextlib.suppress(OSError):  # the server has hung up
            line.sendall(sent)
            line.shutdown(socket.SHUT_WR)
            while block := line.recv(1 << 16):
                found += block
        return found


def main(minutes: float, seed: int, only: int | None = None) -> int:
    """Run cases until the time is over; 1 where any was a fault."""
    folder = Path(tempfile.mkdtemp(prefix="placer-fuzz-"))
    os.environ.setdefault("PLACER_CACHE", str(folder / "cache"))
    fuzz = Fuzz(folder / "all")
    ends: Counter[tuple[str, str]] = Counter()
    faults, number = 0, 0 if only is None else only
    end = time.monotonic() + 60.0 * minutes
    while time.monotonic() < end and (only is None or number == only):
        (folder / "number").write_text(str(number))  # what was under way, should a library crash
        try:
            ends[fuzz.case(number, seed)] += 1
        except Exception:
            faults += 1
            told = traceback.format_exc(limit=-6)
            print(f"FAULT --seed {seed} --only {number}\n{told}", flush=True)  # noqa: T201
        number += 1
    for (kind, became), count in sorted(ends.items()):
        print(f"{kind:12} {became:12} {count:8}")  # noqa: T201
    print(f"{number} cases, {faults} faults")  # noqa: T201
    shutil.rmtree(folder)
    return int(faults > 0)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Damaged input for as long as one likes.")
    parser.add_argument("--minutes", type=float, default=15.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", type=int, help="run this case alone")
    given = parser.parse_args()
    sys.exit(main(given.minutes, given.seed, given.only))
