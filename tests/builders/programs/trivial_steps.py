"""Run as a program: refreshes of trivial steps as real Prefect runs; says what came back as JSON. Argument: a workspace."""

import json
import sys
from datetime import date
from pathlib import Path
from typing import Any, NoReturn

from pipelines.errors import InputError
from pipelines.flows.local_prefect import use_server
from pipelines.settings import Workspace
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

        from pipelines.flows import prefect_flows
        from pipelines.flows.nightly import RefreshOutcome

        tries = {"take in dropped files": 0, "plan the purchases": 0}
        original = InputError("parts.csv is broken", where="parts.csv:3")

        def flaky(name: Any, times: Any, error: Any) -> None:
            tries[name] += 1
            if tries[name] <= times:
                raise error

        def refresh(workspace: Any, run_step: Any, *, priced_on: Any, progress: Any) -> Any:
            value = Unserialisable()
            assert run_step("read inputs", lambda given: given, value) is value
            run_step("take in dropped files", flaky, "take in dropped files", 1, OSError("half written"))
            progress("counting", 1, 2)
            if priced_on:
                run_step("plan the purchases", flaky, "plan the purchases", 9, original)
            costs = pl.DataFrame({"model_code": ["hut"], "complete_cost": ["12.50"]})
            return RefreshOutcome("night-1", True, workspace.root, date(2026, 10, 31), ["a message"], 0, 0.1, costs)

        vars(prefect_flows)["refresh"] = refresh
        told = []
        outcome = prefect_flows.refresh_as_flow(workspace, None, lambda *news: told.append(news))
        found = {"refresh_id": outcome.refresh_id, "progress": told, "intake_tries": tries["take in dropped files"]}
        try:
            prefect_flows.refresh_as_flow(workspace, date(2026, 10, 31), lambda *news: None)
        except InputError as error:
            found["same_error"] = error is original
        return found | {"planning_tries": tries["plan the purchases"], **_recorded()}


def _recorded() -> dict[str, Any]:
    """What Prefect's record says of the runs."""
    from prefect.client.orchestration import get_client

    with get_client(sync_client=True) as client:
        flow_runs, task_runs = client.read_flow_runs(), client.read_task_runs()
        artifacts = client.read_artifacts()
    return {
        "flow_states": sorted(present(run.state_type).value for run in flow_runs),
        "task_states": sorted(f"{run.name}: {present(run.state_type).value}" for run in task_runs),
        "task_inputs": [run.task_inputs for run in task_runs if run.task_inputs],
        "artifacts": {artifact.key: str(artifact.data) for artifact in artifacts},
    }


if __name__ == "__main__":
    print(json.dumps(main(Workspace(Path(sys.argv[1])))))
