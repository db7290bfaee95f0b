"""``kitfare refresh`` in a process that kills itself with SIGKILL at one point: ``python -m ... WORKSPACE POINT``."""

import os
import signal
import sys
from typing import Any

from pipelines.cli.main import app
from pipelines.cli.nightly import refresh as refresh_command
from pipelines.flows import recorded
from pipelines.flows.runs import delivery, run_record
from pipelines.flows.steps import history_steps
from pipelines.warehouse.price_history import messages
from pipelines.warehouse.publishing import generation

POINTS: dict[str, tuple[Any, str]] = {
    "files are taken in": (history_steps, "fold_history"),
    "just before the swap": (generation, "publish"),
    "swapped": (recorded.Report, "published"),
    "news are noted": (recorded, "_succeed"),
    "recorded": (messages, "forget"),
    "no longer in the warehouse": (delivery, "pass_on"),
    "while a notice is passed on": (delivery, "_give"),
    "shown": (run_record, "mark_shown"),
}
"""What is about to be called when the kill comes."""


def _die(*_: Any, **__: Any) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


BEFORE_IT_IS_SHOWN = "before it is shown"


if __name__ == "__main__":
    if sys.argv[2] == BEFORE_IT_IS_SHOWN:
        work = refresh_command._refresh

        def work_and_die(*given: Any) -> None:
            work(*given)
            _die()

        vars(refresh_command)["_refresh"] = work_and_die
    else:
        place, name = POINTS[sys.argv[2]]
        assert callable(getattr(place, name))
        setattr(place, name, _die)
    app(["refresh", "--workspace", sys.argv[1]])
