"""Runs ``kitfare plan`` on texts."""

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from tests.builders.plan_texts import JSON_KEYS


@pytest.fixture
def plan(tmp_path: Path) -> Any:
    """Run the command on texts, one per option of a file; the result with ``json`` where it was asked for."""

    def run(needs: Any, offers: Any, terms: Any, *options: Any, **further: Any) -> Any:
        arguments = ["plan", *options]
        for name, lines in {"needs": needs, "offers": offers, "terms": terms, **further}.items():
            path = tmp_path / f"{name}.csv"
            path.write_text("\n".join(lines) + "\n", encoding="utf-8")
            arguments += [f"--{name.replace('_', '-')}", str(path)]
        return CliRunner().invoke(app, arguments)

    return run


@pytest.fixture
def planned(plan: Any) -> Any:
    def run(*texts: Any, **further: Any) -> Any:
        result = plan(*texts, "--json", **further)
        assert result.exit_code == 0, result.output
        found = json.loads(result.stdout)
        assert set(found) >= JSON_KEYS
        parts = sum(Decimal(found[name]) for name in ("goods", "shipping", "handling", "tax"))
        assert Decimal(found["landed_cost"]) == parts >= Decimal(found["lower_bound"])
        return found

    return run
