"""Run as a program: refreshes of trivial steps as real Prefect runs; says what came back as JSON. Argument: a workspace."""

import json
import logging
import os
import sys
import time
from datetime import date
from pathlib import Path
from typing import Any, NoReturn

from pipelines.errors import InputError, UsageError
from pipelines.flows.scheduler.local_prefect import SERVED_WORKSPACE, use_server
from pipelines.workspace import Workspace
from tests.present import present


class Unserialisable:
    """A value that breaks when anything looks into it, as a huge frame would break the record of a run."""

    def __reduce__(self) -> NoReturn:
        raise AssertionError("a step's value was serialised")

    def __iter__(self) -> NoReturn:
        raise AssertionError("a step's value was walked through")

    def __repr__(self) -> NoReturn:
        raise AssertionError("a step's value was logged")


def main(workspace: Workspace) -> dict[str, Any]:
    with use_server(workspace):
        import polars as pl

        from pipelines.flows.refresh import RefreshOutcome
        from pipelines.flows.scheduler import prefect_flows

        tries = {"take in dropped files": 0, "plan the purchases": 0, "publish": 0, "write the pages": 0}
        original = InputError("parts.csv is broken", where="parts.csv:3")

        def flaky(name: Any, times: Any, error: Any) -> None:
            tries[name] += 1
            if tries[name] <= times:
                raise error

        def endless() -> None:
            tries["write the pages"] += 1
            time.sleep(600)

        def refresh(workspace: Any, run_step: Any, *, priced_on: Any, progress: Any, is_attended: bool) -> Any:
            value = Unserialisable()
            assert run_step("read inputs", lambda given: given, value) is value
            run_step("take in dropped files", flaky, "take in dropped files", 1, OSError("half written"))
            progress("counting", 1, 2)
            if priced_on == date(2026, 10, 31):
                run_step("plan the purchases", flaky, "plan the purchases", 9, original)
            if priced_on == date(2026, 10, 30):
                run_step("publish", flaky, "publish", 9, OSError("the disk is full"))
            if priced_on == date(2026, 10, 29):
                run_step("write the pages", endless)
            costs = pl.DataFrame({"model_code": ["hut"], "complete_cost": ["12.50"]})
            return RefreshOutcome("night-1", 1, True, workspace.root, date(2026, 10, 31), ["a message"], 0, 0.1, costs)

        vars(prefect_flows)["refresh"] = refresh
        heard = []
        outcome = prefect_flows.refresh_as_flow(workspace, None, lambda *news: heard.append(news))
        found = {"refresh_id": outcome.refresh_id, "progress": heard, "intake_tries": tries["take in dropped files"]}
        try:
            prefect_flows.refresh_as_flow(workspace, date(2026, 10, 31), lambda *news: None)
        except InputError as error:
            found["same_error"] = error is original
        for day, name in ((30, "publish_error"), (29, "timeout_error")):
            try:
                prefect_flows.refresh_as_flow(workspace, date(2026, 10, day), lambda *news: None)
            except Exception as error:
                found[name] = f"{type(error).__name__}: {error}"
        found |= {"tries": tries, **_served(workspace), **_recorded()}
        for handler in (
            *logging.getLogger("prefect.flow_runs").handlers,
            *logging.getLogger("prefect.task_runs").handlers,
        ):
            handler.flush()  # before the server goes
        return found


def _served(workspace: Workspace) -> dict[str, Any]:
    """The flow as the schedule runs it: its parameters, and the workspace from the environment."""
    from prefect.exceptions import ParameterTypeError
    from prefect.states import Crashed

    from pipelines.flows.scheduler import prefect_flows

    served: Any = prefect_flows.nightly_refresh
    found: dict[str, Any] = {"parameters": sorted(served.parameters.properties)}
    for name, value in (("wrong_date", "yesterday"), ("no_workspace", None)):
        try:
            served(priced_on=value)
        except (ParameterTypeError, UsageError) as error:
            found[name] = f"{type(error).__name__}: {error}"
    os.environ[SERVED_WORKSPACE] = str(workspace.root)
    served(priced_on="2026-10-28")
    [hook] = served.on_crashed_hooks
    from prefect.client.orchestration import get_client

    with get_client(sync_client=True) as client:
        run = client.read_flow_runs()[0]
    hook(flow=served, flow_run=run, state=Crashed(message="killed"))
    return found


def _recorded() -> dict[str, Any]:
    """What Prefect's record says of the runs."""
    from prefect.client.orchestration import get_client

    with get_client(sync_client=True) as client:
        flow_runs, task_runs = client.read_flow_runs(), client.read_task_runs()
        artifacts = client.read_artifacts()
        deadline = time.monotonic() + 30
        while not any("killed, or the memory ran out" in log.message for log in client.read_logs(log_filter=None)):
            if time.monotonic() > deadline:  # logs arrive by a thread of their own; those of the crash are the last
                break
            time.sleep(0.5)
        logs = [log.message for log in client.read_logs(log_filter=None, limit=200)]
    return {
        "flow_states": sorted(present(run.state_type).value for run in flow_runs),
        "task_states": sorted(f"{run.name}: {present(run.state_type).value}" for run in task_runs),
        "logs": logs,
        "task_inputs": [run.task_inputs for run in task_runs if run.task_inputs],
        "artifacts": {artifact.key: str(artifact.data) for artifact in artifacts},
    }


if __name__ == "__main__":
    print(json.dumps(main(Workspace(Path(sys.argv[1])))))
