"""A Ctrl-C that can't get lost: compiled libraries drop one that comes while they call back into Python."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any


@contextmanager
def lasting_interrupt() -> Iterator[Callable[[], None]]:
    """Remember a Ctrl-C. The function given raises it again if a library dropped it.

    Raises:
        KeyboardInterrupt: from the function, once Ctrl-C was pressed within the block.
    """
    received: list[int] = []

    def remember(number: int, _frame: Any) -> None:
        received.append(number)
        raise KeyboardInterrupt

    def stay_quiet(unraisable: Any) -> None:
        if not isinstance(unraisable.exc_value, KeyboardInterrupt):
            hook(unraisable)

    def check() -> None:
        if received:
            raise KeyboardInterrupt

    # Where Ctrl-C is ignored, as for jobs in the background of some shells, it stays ignored.
    if signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        yield check
        return
    hook, sys.unraisablehook = sys.unraisablehook, stay_quiet
    signal.signal(signal.SIGINT, remember)
    try:
        yield check
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        sys.unraisablehook = hook
