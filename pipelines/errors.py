"""The one tree of errors. Each states what happened, where, what is kept, and what to do next."""

from __future__ import annotations

from functools import partial
from typing import Any


class KitfareError(Exception):
    """Something the user can act on. The facts are attributes, so that reports and tests never parse text.

    Args:
        what: what happened, in a sentence.
        where: file, table or model, with line and column where known.
        next_step: what to type or correct next.
        state: what is kept or changed, where that is not obvious.
    """

    exit_code = 1

    def __init__(self, what: str, *, where: str = "", next_step: str = "", state: str = "") -> None:
        self.what = what
        self.where = where
        self.next_step = next_step
        self.state = state
        super().__init__(what, where, next_step, state)

    def __reduce__(self) -> tuple[Any, ...]:
        """How it is copied to another process; the base class would give the keywords by position."""
        facts = {"where": self.where, "next_step": self.next_step, "state": self.state}
        return partial(type(self), self.what, **facts), ()

    def __str__(self) -> str:
        lines = [self.what]
        if self.where:
            lines.append(f"  where: {self.where}")
        if self.state:
            lines.append(f"  state: {self.state}")
        if self.next_step:
            lines.append(f"  next:  {self.next_step}")
        return "\n".join(lines)


class UsageError(KitfareError):
    """A command got something it can't work with: a wrong folder, an unknown model, a wrong option."""

    exit_code = 2


class SettingsError(KitfareError):
    """kitfare.toml, a profile or a model.toml has a wrong setting."""

    exit_code = 3


class InputError(KitfareError):
    """A file of the workspace breaks its contract, so nothing may be calculated from it."""

    exit_code = 3


class UnreadableFileError(InputError):
    """A file can't be read at all; it is quarantined whole."""


class BusyError(KitfareError):
    """Another process is writing to the workspace."""

    exit_code = 4


class PlanRefusedError(KitfareError):
    """A plan failed a check: landed cost and optimiser disagree, or a bound lies above a known plan."""

    exit_code = 5


class CheckFailedError(KitfareError):
    """A check on the tables about to be published returned rows; nothing was published."""

    exit_code = 5


UNEXPECTED = 70
INTERRUPTED = 130


def is_interrupt(error: BaseException) -> bool:
    """Ctrl-C, also as the error that DuckDB makes of it while it works or takes a frame."""
    if isinstance(error, KeyboardInterrupt) or (isinstance(error, RuntimeError) and str(error) == "Query interrupted"):
        return True
    if "duckdb" in type(error).__module__ and "KeyboardInterrupt" in str(error):
        return True
    # Prefect, interrupted while a task starts, fails on that task as it cleans up.
    return error.__context__ is not None and is_interrupt(error.__context__)


def exit_code_of(error: BaseException) -> int:
    """The exit code of a command that ends with an error; 70 is a fault in kitfare."""
    if isinstance(error, KitfareError):
        return error.exit_code
    if is_interrupt(error):
        return INTERRUPTED
    return 1 if isinstance(error, OSError) else UNEXPECTED
