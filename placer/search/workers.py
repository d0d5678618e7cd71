"""Several processes on one machine that join one study.

Each worker is a fresh process that calls one module-level function. Worker and parent share one
pipe each and nothing else: no queue and no event, whose locks a killed worker would keep. The
parent says "stop" through the pipe; a worker whose parent has died finds the pipe closed and stops
too. A worker that dies does not disturb the others.

*Conventions*: Ctrl-C reaches the parent only; workers stop when told, and store what they have.

Functions: `run_workers`.
"""

from __future__ import annotations

import multiprocessing
import signal
import traceback
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from typing import Any

from placer.errors import PlacerError
from placer.search.interrupt import interruptible

POLL = 0.2
"""Seconds between two looks at the stop flag."""


class WorkerError(RuntimeError):
    """A worker failed for a reason that is not the user's; holds the worker's traceback."""


class Link:
    """A worker's line to its parent.

    Attributes
    ----------
    index : number of the worker, from 0
    """

    def __init__(self, index: int, connection: Connection, interrupt: Callable[[], bool]) -> None:
        self.index = index
        self._connection = connection
        self._interrupt = interrupt
        self._told = False

    def stop(self) -> bool:
        """Whether to stop: told so, signalled, or the parent is gone."""
        if not self._told:
            try:
                self._told = self._interrupt() or self._connection.poll(0)
            except OSError:  # the parent is gone
                self._told = True
        return self._told

    def report(self, message: Any) -> None:
        """Send something picklable to the parent's `on_message`."""
        try:
            self._connection.send(("message", message))
        except OSError:  # the parent is gone: nobody listens, and `stop` will say so
            self._told = True


def run_workers(
    target: Callable[..., None],
    arguments: tuple[Any, ...],
    *,
    workers: int,
    stop: Callable[[], bool] = bool,
    on_message: Callable[[int, Any], None] = lambda _index, _message: None,
    on_tick: Callable[[], None] = lambda: None,
) -> tuple[int, ...]:
    """Run `target(link, *arguments)` in several processes and wait for all of them.

    Parameters
    ----------
    target : module-level function (it must be picklable); its first argument is a `Link`
    arguments : further arguments, picklable
    workers : number of processes
    stop : asked several times a second; once true, every worker is told
    on_message : (worker, message) for everything that workers report
    on_tick : called several times a second, for a live view

    Returns
    -------
    tuple of int
        Exit code of each worker; below 0, it was killed by that signal.

    Raises
    ------
    PlacerError
        If no worker came to a good end and one of them met such an error, or all were killed.
    WorkerError
        If no worker came to a good end for another reason.
    """
    context = multiprocessing.get_context("spawn")
    lines: dict[Connection, tuple[int, SpawnProcess]] = {}
    errors: dict[int, Exception] = {}
    processes = []
    try:
        for index in range(workers):
            ours, theirs = context.Pipe()
            process = context.Process(target=_work, args=(index, theirs, target, arguments))
            process.start()
            theirs.close()  # else a dead worker's pipe would never read as closed
            lines[ours] = (index, process)
            processes.append(process)
        _listen(lines, errors, stop=stop, on_message=on_message, on_tick=on_tick)
    finally:
        for process in processes:
            if process.is_alive() and process in [p for _, p in lines.values()]:
                process.kill()  # only if the parent itself was broken off
            process.join()
        for ours in lines:
            ours.close()
    codes = tuple(-1 if process.exitcode is None else process.exitcode for process in processes)
    if all(codes):
        raise _worst([errors[index] for index in sorted(errors)], codes)
    return codes


def _listen(
    lines: dict[Connection, tuple[int, SpawnProcess]],
    errors: dict[int, Exception],
    *,
    stop: Callable[[], bool],
    on_message: Callable[[int, Any], None],
    on_tick: Callable[[], None],
) -> None:
    """Serve the pipes until every worker has closed its own."""
    told = False
    while lines:
        for ready in wait(list(lines), timeout=POLL):
            assert isinstance(ready, Connection)
            index = lines[ready][0]
            try:
                kind, message = ready.recv()
            except (EOFError, OSError):
                ready.close()
                del lines[ready]
                continue
            if kind == "error":
                errors[index] = message
            else:
                on_message(index, message)
        if not told and stop():
            told = True
            for line in lines:
                with suppress(OSError):  # the worker has just ended
                    line.send("stop")
        on_tick()


def _worst(errors: list[Exception], codes: tuple[int, ...]) -> Exception:
    """The first error that a user can mend, else the first one; without any, they were killed."""
    if errors:
        return next((one for one in errors if isinstance(one, PlacerError)), errors[0])
    return PlacerError(
        f"every worker was killed (exit codes {[*codes]}); finished trials "
        "are kept; is memory short? go on with fewer --workers"
    )


def _work(
    index: int, connection: Connection, target: Callable[..., None], arguments: tuple[Any, ...]
) -> None:
    """Run in the worker: call the target, hand an error to the parent."""
    with interruptible() as interrupt:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent passes Ctrl-C on
        link = Link(index, connection, interrupt)
        try:
            target(link, *arguments)
        except PlacerError as error:
            _confess(connection, error)
        except MemoryError:
            _confess(connection, PlacerError("a worker ran out of memory; give fewer --workers"))
        except Exception:
            _confess(connection, WorkerError(traceback.format_exc()))


def _confess(connection: Connection, error: Exception) -> None:
    with suppress(OSError):  # the parent is gone
        connection.send(("error", error))
    raise SystemExit(2)
