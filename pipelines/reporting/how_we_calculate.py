"""The page that says once how the figures of all other pages are made."""

from __future__ import annotations

from typing import Any

from pipelines.reporting.basis.page_data import PageData
from pipelines.reporting.basis.words import (
    CAUTIONS,
    CHANGE_METHODS,
    COST_WORDS,
    DATA_WORDS,
    PLAN_METHODS,
    REPORT_METHODS,
)
from pipelines.reporting.sections.buying import LINE_METHOD, SENSITIVITY_METHOD
from pipelines.reporting.sections.costs import withheld_cost_words, withheld_index_words
from pipelines.reporting.sections.flexibility import METHODS as FLEXIBILITY_METHODS
from pipelines.reporting.sections.orders_together import METHOD_WORDS as SHARE_METHODS


def how_we_calculate(page_data: PageData) -> dict[str, Any]:
    """The values of the page: headings with sentences. They hold for every model and month."""
    return {
        "page_title": "How we calculate",
        "sections": [
            ("Costs", [COST_WORDS, *PLAN_METHODS, LINE_METHOD, withheld_cost_words(page_data)]),
            ("Changes", [*CHANGE_METHODS, SENSITIVITY_METHOD]),
            ("What flexibility saves", list(FLEXIBILITY_METHODS)),
            ("Several models in one order", list(SHARE_METHODS.values())),
            ("The index, availability and forecasts", [*REPORT_METHODS, withheld_index_words(page_data)]),
            ("Before you buy", list(CAUTIONS)),
            ("Quoting these figures", _reuse(page_data)),
        ],
    }


def _reuse(page_data: PageData) -> list[str]:
    """How the figures may be quoted, and what their files are."""
    own = page_data.settings.report.reuse
    return [*([own] if own else []), DATA_WORDS]
