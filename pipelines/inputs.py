"""The validated contents of a workspace: what intake returns and every later room takes.

They stand here because intake and the later rooms do not import each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

    from pipelines.settings import ModelSettings, Settings

RATE_MAXIMUM_AGE_DAYS = 7
"""An exchange rate older than this is not used; the vendor is left out and named."""


@dataclass(frozen=True, eq=False)
class Model:
    """One model: its model.toml and its validated tables (contracts PARTS_LIST, FLEXIBLE_LINES, AMENDMENTS)."""

    settings: ModelSettings
    parts_list: pl.DataFrame
    flexible_lines: pl.DataFrame
    amendments: pl.DataFrame

    @property
    def model_code(self) -> str:
        """The model's code."""
        return self.settings.model_code


@dataclass(frozen=True, eq=False)
class WorkspaceInputs:
    """Settings, every workspace table by contract name (empty where there is no file), models, and files read.

    ``input_files`` follows the contract INPUT_FILE: each file with its content hash, so that any published number can be
    traced to its inputs. ``remarks`` are sentences about what is odd in the files but not refused. Equal only to itself, so that results can be cached by it.
    """

    settings: Settings
    tables: dict[str, pl.DataFrame]
    models: tuple[Model, ...]
    input_files: pl.DataFrame
    remarks: tuple[str, ...] = ()

    def model(self, model_code: str) -> Model:
        """The model of a code, which must exist."""
        return next(model for model in self.models if model.model_code == model_code)


def exchange_rate_on(rates: pl.DataFrame, from_currency: str, to_currency: str, day: date) -> Fraction | None:
    """Units of ``to_currency`` for one of ``from_currency`` on a date: the latest rate within 7 days, or its inverse.

    Args:
        rates: the table exchange_rates.

    Returns:
        The exact rate, without any margin; None when neither direction has a rate of the last 7 days.
    """
    if from_currency == to_currency:
        return Fraction(1)
    oldest = day - timedelta(days=RATE_MAXIMUM_AGE_DAYS)
    latest: tuple[date, Fraction] | None = None
    for pair, inverted in (((from_currency, to_currency), False), ((to_currency, from_currency), True)):
        known = rates.filter(
            (rates["from_currency_code"] == pair[0])
            & (rates["to_currency_code"] == pair[1])
            & (rates["rate_on"] <= day)
            & (rates["rate_on"] >= oldest)
        ).sort("rate_on")
        if known.height:
            rate_on, rate = known["rate_on"][-1], Fraction(known["exchange_rate"][-1])
            if latest is None or rate_on > latest[0]:
                latest = (rate_on, 1 / rate if inverted else rate)
    return latest[1] if latest else None
