"""Ctrl-C and SIGTERM: a flag first, the end second."""

from __future__ import annotations

import signal
import threading

import pytest

from placer.search.interrupt import interruptible


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_first_signal_raises_a_flag_only(number: signal.Signals) -> None:
    """Work goes on until it asks the flag; the handler that was there before comes back."""
    before = signal.getsignal(number)
    with interruptible() as stop:
        assert not stop()
        signal.raise_signal(number)
        assert stop()
    assert signal.getsignal(number) == before


def test_second_signal_means_it() -> None:
    """Someone who presses Ctrl-C twice is obeyed at once."""
    with interruptible():
        signal.raise_signal(signal.SIGINT)
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)


def test_other_threads_have_no_flag() -> None:
    """Outside the main thread handlers cannot be set: the flag stays down, nothing fails."""
    seen: list[bool] = []

    def work() -> None:
        with interruptible() as stop:
            seen.append(stop())

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == [False]
