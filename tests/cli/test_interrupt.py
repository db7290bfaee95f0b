"""A Ctrl-C that a library swallows comes back at the next step."""

import signal
import sys

import pytest

from pipelines.cli.terminal.interrupt import lasting_interrupt


def press_ctrl_c():
    signal.raise_signal(signal.SIGINT)


def swallowed():
    with pytest.raises(KeyboardInterrupt):
        press_ctrl_c()


def test_nothing_happens_without_one():
    with lasting_interrupt() as check:
        check()


def test_it_is_raised_at_once():
    with pytest.raises(KeyboardInterrupt), lasting_interrupt():
        press_ctrl_c()


def test_one_that_was_swallowed_comes_back():
    with lasting_interrupt() as check:
        swallowed()
        with pytest.raises(KeyboardInterrupt):
            check()


class Reported:
    """What Python hands to the hook for exceptions that can't be raised."""

    object = err_msg = exc_traceback = None

    def __init__(self, error):
        self.exc_value, self.exc_type = error, type(error)


def test_what_can_t_be_raised_is_still_reported_unless_it_is_the_interrupt(monkeypatch):
    seen = []
    monkeypatch.setattr(sys, "unraisablehook", seen.append)
    with lasting_interrupt():
        sys.unraisablehook(Reported(KeyboardInterrupt()))
        other = Reported(ValueError())
        sys.unraisablehook(other)
    assert seen == [other]
    assert sys.unraisablehook == seen.append


def test_afterwards_all_is_as_before():
    with lasting_interrupt():
        pass
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_where_it_is_ignored_it_stays_ignored():
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        with lasting_interrupt() as check:
            press_ctrl_c()
            check()
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)
