"""What the pictures for sharing say, from the figures of a month: one of all models, one of each."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipelines.money import cost_interval
from pipelines.reporting.basis.open_graph import open_graph
from pipelines.reporting.basis.page_data import PageData, ReportedModel, is_usable
from pipelines.reporting.basis.page_tables import day, money, number
from pipelines.reporting.basis.words import difference_in_words
from pipelines.reporting.drawings.share_picture import Shared, write_share_picture
from pipelines.reporting.month.front_page import price_move
from pipelines.reporting.month.main_points import prices_together
from pipelines.reporting.month.month_charts import dated, shown_level
from pipelines.reporting.sections.costs import complete_cost
from schemas.published.over_time import COST_CHANGE


def month_picture(page_data: PageData, month: str, values: dict[str, Any]) -> Shared | None:
    """The first point of the first buyer, with the index over all models; None without any figure."""
    if not values["sections"]:
        return None
    section = values["sections"][0]
    front, chart = section["front"], section["front"]["index"]
    if not front["points"]:
        return None
    months = [known for known in page_data.months() if known <= month]
    dates = tuple(dated(page_data, known) for known in months)
    line = chart.lines[0].values if chart else ()
    source = f"Prices up to {values['cut_off']}, for {section['buyer'].title}"
    return Shared(values["page_title"], "", "", " ".join(front["points"][:2]), dates, line, "Price index", source)


def model_picture(page_data: PageData, model: ReportedModel, month: str) -> Shared | None:
    """The cost of a model at the end of a month, or today, for the first buyer that has one; None without one."""
    on = page_data.last_date_in(month)
    for buyer in page_data.buyers:
        plan = page_data.headline_plan(model.code, buyer.buyer_code, on) if on else None
        if plan is None or not is_usable(plan) or page_data.cost_is_withheld(plan):
            continue
        months = [known for known in page_data.months() if known <= month][-25:]
        levels = tuple(shown_level(page_data.index(model.code, buyer.buyer_code, known)) for known in months)
        return Shared(
            model.title,
            complete_cost(page_data, plan, with_code=True),
            f"{page_data.scenario_title(plan['scenario_code'])}, delivered to {buyer.title}, on {day(on)}",
            _finding(page_data, model, plan, month),
            tuple(dated(page_data, known) for known in months),
            levels,
            "Price index",
            f"Prices up to {day(on)}",
        )
    return None


def _finding(page_data: PageData, model: ReportedModel, plan: dict[str, Any], month: str) -> str:
    """What changed since the month before: the cost where both can be compared, else the prices."""
    key = {name: plan[name] for name in ("model_code", "scenario_code", "buyer_code", "priced_on")}
    steps = page_data.rows(COST_CHANGE, **key)
    before = (
        page_data.plan(plan["model_code"], plan["buyer_code"], plan["scenario_code"], steps[0]["compared_on"])
        if steps
        else None
    )
    code = plan["currency_code"]
    if (
        before is not None
        and is_usable(before)
        and before["unfilled_estimate_count"] == plan["unfilled_estimate_count"]
    ):
        words = difference_in_words(
            plan["complete_cost"] - before["complete_cost"],
            cost_interval(plan) - cost_interval(before),
            lambda amount: money(amount, code),
            code,
        )
        return f"Since {day(before['priced_on'])}: {words}."
    move = price_move(page_data, model, plan["buyer_code"], month)
    return prices_together([move], month)[0].words if move is not None else ""


def write_pictures(
    page_data: PageData, month: str, values: dict[str, Any], place: Path
) -> tuple[list[Path], dict[str, Shared]]:
    """Write ``<month>.png``, and for the latest month ``<month>/<model>.png``: the files, and what each says by its name below ``place``."""
    said: dict[str, Shared] = {}
    if (shared := month_picture(page_data, month, values)) is not None:
        said[f"{month}.png"] = shared
    if page_data.today is not None and month == f"{page_data.today:%Y-%m}":
        for model in page_data.models:
            if (shared := model_picture(page_data, model, month)) is not None:
                said[f"{month}/{model.page}.png"] = shared
    written = [write_share_picture(place / name, shared, number) for name, shared in said.items()]
    return written, said


def month_tags(page_data: PageData, month: str, said: dict[str, Shared]) -> list[tuple[str, str]]:
    """The Open Graph tags of a month's report."""
    name = f"{month}.png"
    if (shared := said.get(name)) is None:
        return []
    base = page_data.settings.report.base_url
    page = f"reports/{month}.html"
    return open_graph(base, page, shared.title, shared.finding, f"reports/{name}", shared.words, "article")


def sheet_tags(page_data: PageData, model: ReportedModel) -> list[tuple[str, str]]:
    """The Open Graph tags of a model's sheet: its picture is that of the latest month's report."""
    base, today = page_data.settings.report.base_url, page_data.today
    shared = model_picture(page_data, model, f"{today:%Y-%m}") if base and today else None
    if shared is None:
        return []
    picture = f"reports/{today:%Y-%m}/{model.page}.png"
    return open_graph(base, f"sheets/{model.page}.html", shared.title, shared.words, picture, shared.words, "article")


def index_tags(page_data: PageData, title: str) -> list[tuple[str, str]]:
    """The Open Graph tags of the index: its picture is that of the latest month's report."""
    months = page_data.months()
    base = page_data.settings.report.base_url
    if not base or page_data.today is None or months[-1] != f"{page_data.today:%Y-%m}":
        return []
    words = f"What custom models cost, with prices of {day(page_data.today)}."
    return open_graph(base, "index.html", title, words, f"reports/{months[-1]}.png", words)
