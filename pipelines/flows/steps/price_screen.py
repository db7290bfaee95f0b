"""The screen of suspect prices: what the history asks, and the rules that decide, put together."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipelines.resources import software_digest
from pipelines.trends.prices import suspects
from pipelines.warehouse.connect import Connection
from pipelines.warehouse.price_history import screening


def screened(con: Connection, tables: Mapping[str, pl.DataFrame], currency_code: str) -> pl.DataFrame:
    """Screen the prices of days that changed since the last screen, and make what was found known to the markets.

    Args:
        con: from ``connect.writer``.
        tables: the workspace's: parts, exchange_rates, confirmed_prices.
        currency_code: of prices to compare.

    Returns:
        One row per price period of a suspect price: the columns of SUSPECT_PRICE that do not depend on the models.
    """
    rates_known = tables["exchange_rates"]
    with screening.screen(con, tables["parts"], rates_known):
        since = screening.first_changed_day(con, f"{software_digest()} {currency_code}")
        if since is not None:
            new_prices = (suspects.new_prices(piece, since) for piece in screening.step_periods(con, since))
            days, codes = screening.set_new_prices(con, new_prices)
            screening.set_rates(con, suspects.common_rates(days, codes, rates_known, currency_code))
            changes = [suspects.standing_out(piece) for piece in screening.price_changes(con)]
            found = [suspects.against_market(piece) for piece in screening.candidates_with_market(con, changes)]
            screening.keep_flagged(con, found, since)
        price_periods = suspects.exact_prices(screening.suspect_price_periods(con))
        price_periods = suspects.cleared(price_periods, tables["confirmed_prices"])
        screening.set_suspects(con, price_periods)
    return price_periods
