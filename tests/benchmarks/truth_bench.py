"""Whether published costs and their changes are true: the demo's plans made again at `deep`; figures, no test.

    python -m tests.benchmarks.truth_bench --keep DIR --every 4

Refreshes the demo in DIR where that was not done, and plans every n-th change of a cost again, on both of its dates. A published
bound is false where `deep` finds a cheaper plan; a published sign is wrong where all that `deep` leaves open has the other one.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from pipelines.cli.start.demo import install_demo
from pipelines.flows.refresh import identified, refresh
from pipelines.flows.steps import history_steps, intake_steps
from pipelines.flows.steps.night import Night
from pipelines.money import Interval, cost_interval
from pipelines.planning.scenarios import plan_model
from pipelines.workspace import Workspace

Key = tuple[str, str, date]
"""Model, scenario and date."""
Row = dict[str, Any]


@dataclass(frozen=True)
class Change:
    """A plan as published and as planned at `deep`, each on two dates: the earlier first."""

    published: tuple[Row, Row]
    deep: tuple[Row, Row]

    @property
    def directions(self) -> tuple[int | None, int | None]:
        """The sign of the change that is published, and of what `deep` leaves open; None where not known."""
        found = [_difference(*plans).direction for plans in (self.published, self.deep)]
        return found[0], found[1]


def _difference(before: Row, now: Row) -> Interval:
    return cost_interval(now) - cost_interval(before)


def refreshed(folder: Path) -> Workspace:
    """The demo's workspace in a folder, refreshed."""
    workspace = Workspace(folder / "demo")
    if not (workspace.root / "kitfare.toml").exists():
        install_demo(workspace.root)
    if not workspace.published.exists():
        refresh(workspace)
    return workspace


def read_night(workspace: Workspace) -> Night:
    """The workspace's inputs and markets on all its dates."""
    night = intake_steps.read_inputs(workspace, datetime.now(UTC).replace(tzinfo=None))
    night = history_steps.screen_prices(identified(history_steps.fold_history(night), None))
    return history_steps.read_markets(night)


def planned_deep(night: Night, model_code: str, day: date, scenarios: Sequence[str]) -> dict[str, Row]:
    """Rows of model_cost by scenario, planned at `deep` for the first buyer."""
    markets = night.markets
    found = plan_model(
        night.inputs,
        night.inputs.model(model_code),
        day,
        night.settings.buyer[0],
        markets.by_day[day],
        markets.last_seen[day],
        markets.summaries[day],
        "deep",
        with_advice=False,
        scenario_codes=scenarios,
    )
    return {row["scenario_code"]: row for row in found.tables["model_cost"].to_dicts()}


def changes(night: Night, published: pl.DataFrame, every: int) -> Iterator[Change]:
    """Every n-th change from one date to the next, for all scenarios that have one."""
    deep: dict[tuple[str, date], Mapping[str, Row]] = {}
    rows: dict[Key, Row] = {
        (row["model_code"], row["scenario_code"], row["priced_on"]): row for row in published.to_dicts()
    }
    steps = [
        (model, before, now)
        for model in published["model_code"].unique().sort()
        for days in [published.filter(pl.col("model_code") == model)["priced_on"].unique().sort().to_list()]
        for before, now in zip(days, days[1:], strict=False)
    ]
    for model, before, now in steps[::every]:
        codes = [code for code in night.settings.refresh.past_scenarios if (model, code, before) in rows]
        for day in (before, now):
            if (model, day) not in deep:
                deep[model, day] = planned_deep(night, model, day, codes)
        for code in codes:
            of_dates = [(rows[model, code, day], deep[model, day][code]) for day in (before, now)]
            yield Change((of_dates[0][0], of_dates[1][0]), (of_dates[0][1], of_dates[1][1]))


def figures(found: Sequence[Change]) -> list[str]:
    """What was found, a line each."""
    plans = {
        (row["model_code"], row["scenario_code"], row["priced_on"]): (row, deep)
        for change in found
        for row, deep in zip(change.published, change.deep, strict=True)
    }
    # A plan that `deep` did not better is itself the best known.
    excess = [
        100 * float(max(row["landed_cost"] - deep["landed_cost"], 0) / deep["landed_cost"])
        for row, deep in plans.values()
    ]
    gaps = [row["gap_pct"] for row, _ in plans.values()]
    false_bounds = sum(row["lower_bound"] > deep["landed_cost"] for row, deep in plans.values())
    stated = [change.directions for change in found if change.directions[0] is not None]
    wrong = sum(deep not in (None, sign) for sign, deep in stated)
    known = sum(change.directions[1] is not None for change in found)
    return [
        f"{len(plans)} plans: excess {np.mean(excess):.2f} % on average, {np.quantile(excess, 0.95):.2f} % at the 95th percentile, "
        f"{max(excess):.2f} % at worst; gap {sum(gaps) / len(gaps):.2f} % on average, {max(gaps):.2f} % at worst",
        f"{false_bounds} false bounds",
        f"{len(found)} changes: {len(stated)} with a sign, of which {wrong} wrong; at deep {known} have one",
    ]


def main() -> None:
    """Plan again and print what is true."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--keep", type=Path, help="folder for the refreshed demo; it stays")
    parser.add_argument("--every", type=int, default=4, help="look at every n-th change")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="kitfare-truth-") as name:
        folder = args.keep or Path(name)
        folder.mkdir(parents=True, exist_ok=True)
        workspace = refreshed(folder)
        night = read_night(workspace)
        costs = pl.read_parquet(workspace.private / "tables" / "model_cost.parquet")
        own = costs.filter(
            pl.col("buyer_code") == night.settings.buyer[0].buyer_code, pl.col("plan_status") != "refused"
        )
        print("\n".join(figures(list(changes(night, own, args.every)))))


if __name__ == "__main__":
    main()
