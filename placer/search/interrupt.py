"""How Ctrl-C ends a search without losing work.

The first SIGINT or SIGTERM only raises a flag; whoever searches asks the flag, stops at the next
move, stores what it has and returns. The second one means it: `KeyboardInterrupt`. The exit code
(130) is the command line's matter.

*Conventions*: handlers belong to the main thread of a process; elsewhere the flag stays down.

Functions: `interruptible`.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def interruptible() -> Iterator[Callable[[], bool]]:
    """Catch SIGINT and SIGTERM for the length of a `with` block; earlier handlers come back.

    What it gives says whether one has arrived.

    Examples
    --------
    >>> with interruptible() as stop:
    ...     signal.raise_signal(signal.SIGTERM)
    ...     stop()
    True
    """
    arrived: list[int] = []

    def handle(number: int, _frame: FrameType | None) -> None:
        if arrived:
            raise KeyboardInterrupt
        arrived.append(number)

    if threading.current_thread() is not threading.main_thread():
        yield bool
        return
    caught = (signal.SIGINT, signal.SIGTERM)
    earlier = [signal.signal(number, handle) for number in caught]
    try:
        yield lambda: bool(arrived)
    finally:
        for number, handler in zip(caught, earlier, strict=True):
            # a handler that was not set from Python reads as None and cannot be put back
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
