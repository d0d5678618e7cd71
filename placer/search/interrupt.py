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
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class Interrupt:
    """A flag that says whether someone asked to stop; call it to ask."""

    __slots__ = ("signal_number",)

    def __init__(self) -> None:
        self.signal_number: int | None = None

    def __call__(self) -> bool:
        """Whether a signal has arrived."""
        return self.signal_number is not None

    def handle(self, signal_number: int, _frame: FrameType | None) -> None:
        """Raise the flag; from the second signal on, stop at once.

        Raises
        ------
        KeyboardInterrupt
            If the flag was up already.
        """
        if self.signal_number is not None:
            raise KeyboardInterrupt
        self.signal_number = signal_number


@contextmanager
def interruptible() -> Iterator[Interrupt]:
    """Catch SIGINT and SIGTERM for the length of a `with` block; earlier handlers come back.

    Examples
    --------
    >>> with interruptible() as stop:
    ...     signal.raise_signal(signal.SIGTERM)
    ...     stop()
    True
    """
    interrupt = Interrupt()
    if threading.current_thread() is not threading.main_thread():
        yield interrupt
        return
    caught = (signal.SIGINT, signal.SIGTERM)
    earlier = [signal.signal(number, interrupt.handle) for number in caught]
    try:
        yield interrupt
    finally:
        for number, handler in zip(caught, earlier, strict=True):
            # a handler that was not set from Python reads as None and cannot be put back
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
