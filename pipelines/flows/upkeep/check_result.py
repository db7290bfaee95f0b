"""What a check of an installation or a workspace found, with what to do about it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

Standing = Literal["well", "advice", "fault"]


@dataclass(frozen=True)
class CheckResult:
    """One line about one thing.

    Args:
        code: a short name for programs.
        standing: "well"; "advice": somebody should look, and nights go on; "fault": a refresh fails or may fail.
        text: what was found, in one line.
        next_step: what to do; empty where all is well.
        correct: what corrects it safely; None where only a person can.
    """

    code: str
    standing: Standing
    text: str
    next_step: str = ""
    correct: Callable[[], None] | None = None
