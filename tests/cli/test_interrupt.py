"""A Ctrl-C that a library swallows comes back at the next step."""

import signal
import sys
from collections.abc import Callable
from typing import Any

import pytest

from pipelines.cli.terminal.interrupt import lasting_interrupt


def press_ctrl_c() -> None:
    signal.raise_signal(signal.SIGINT)


def swallowed() -> None:
    with pytest.raises(KeyboardInterrupt):
        press_ctrl_c()


def test_nothing_happens_without_one() -> None:
    with lasting_interrupt() as check:
        check()


def test_it_is_raised_at_once() -> None:
    with pytest.raises(KeyboardInterrupt), lasting_interrupt():
        press_ctrl_c()


def test_one_that_was_swallowed_comes_back() -> None:
    with lasting_interrupt() as check:
        swallowed()
        with pytest.raises(KeyboardInterrupt):
            check()


class Reported:
    """What Python hands to the hook for exceptions that can't be raised."""

    object = err_msg = exc_traceback = None

    def __init__(self, error: Any) -> None:
        self.exc_value, self.exc_type = error, type(error)


def test_what_can_t_be_raised_is_still_reported_unless_it_is_the_interrupt(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Any] = []
    monkeypatch.setattr(sys, "unraisablehook", seen.append)
    with lasting_interrupt():
        hook: Callable[[Any], object] = sys.unraisablehook
        hook(Reported(KeyboardInterrupt()))
        other = Reported(ValueError())
        hook(other)
    assert seen == [other]
    assert sys.unraisablehook == seen.append


def test_afterwards_all_is_as_before() -> None:
    with lasting_interrupt():
        pass
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_where_it_is_ignored_it_stays_ignored() -> None:
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        with lasting_interrupt() as check:
            press_ctrl_c()
            check()
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)
