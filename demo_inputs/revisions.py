"""How the models change in time: list versions, amendments, and the text of each model.toml."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any, Literal

from pipelines.settings import Discount, Instructions, ListVersion, ModelSettings

from .catalogue import by_code, maker_assortment
from .decisions import flexible_lines_of
from .model_plans import Line, ModelPlan, lines_of

RELEASES: dict[str, tuple[str, ...]] = {
    "post_boat": ("2025-05-12",),
    "greenhouse": ("2024-06-01",),
    "harbour_tug": ("2023-11-20",),
    "steam_crane": ("2024-03-09", "2026-02-14"),
    "observatory": ("2024-08-30",),
    "tram_depot": ("2024-09-15",),
}
COPIES = {"post_boat": 2}
PUBLISH: dict[str, Literal["none", "some", "all"]] = {"post_boat": "all", "harbour_tug": "some", "greenhouse": "all"}
SKIPPED = {"observatory": ["garden"]}
AMENDMENT_COLUMNS = (
    "line_number", "amendment_action", "part_code", "colour_code", "quantity", "colour_rule", "valid_from_on", "reason",
)  # fmt: skip


def _instructions(code: str) -> Instructions | None:
    """What the instructions cost; the depot's have a sale and a code, which multiply: 28.00 x 0.80 x 0.90 = 20.16."""
    prices = {
        "post_boat": ("6.00", "EUR"), "harbour_tug": ("14.50", "EUR"), "steam_crane": ("15.00", "GBP"), "observatory": ("22.00", "EUR"),
        "tram_depot": ("28.00", "EUR"),
    }  # fmt: skip
    if code not in prices:
        return None
    discounts = [
        Discount(pct=Decimal(25), from_on=date(2025, 11, 20), to_on=date(2025, 12, 5), reason="winter sale"),
        Discount(
            pct=Decimal(10), from_on=date(2026, 6, 1), to_on=date(2026, 12, 31), reason="code for returning builders"
        ),
        Discount(pct=Decimal(20), from_on=date(2026, 10, 15), to_on=date(2026, 11, 15), reason="autumn sale"),
    ]
    price, currency = prices[code]
    return Instructions(
        price=Decimal(price), currency_code=currency, discounts=discounts if code == "tram_depot" else []
    )


def versions_of(plan: ModelPlan) -> dict[int, list[Line]]:
    """The parts list's versions; the steam crane has a second one with a more robust jib."""
    first = lines_of(plan)
    if len(RELEASES[plan.code]) == 1:
        return {1: first}
    decided = {row["line_number"] for row in flexible_lines_of(plan.code, first)}
    open_to_change = [line for line in first if line.number not in decided and line.quantity >= 3]
    dropped = {line.number for line in open_to_change[::14][:2]}
    more = {line.number for line in open_to_change[5::11][:4]}
    second = [
        replace(line, quantity=line.quantity + 4) if line.number in more else line
        for line in first
        if line.number not in dropped
    ]
    number = max(line.number for line in first)
    for part_code, colour_code, quantity in (("F136", "ANV", 4), ("F115", "SOO", 6), ("00501", "SOO", 18)):
        number += 1
        assert colour_code in by_code()[part_code].colours
        second.append(Line(number, part_code, colour_code, quantity, ""))
    return {1: first, 2: second}


def amendments_of(plan: ModelPlan) -> list[dict[str, Any]]:
    """Reinforcements the builders added, in any colour, and one removal."""
    lines = lines_of(plan)
    after = max(line.number for line in lines) + 100

    def added(index: int, part: str, quantity: int, on: str, reason: str) -> dict[str, Any]:
        cells = (after + index, "add", part, "", quantity, "any", on, reason)
        return dict(zip(AMENDMENT_COLUMNS, cells, strict=True))

    if plan.code == "harbour_tug":
        why = "keeps the hull from bending when lifted"
        return [
            added(1, "P118", 6, "2025-11-02", why),
            added(2, "P133", 4, "2025-11-02", why),
            added(3, "F118", 2, "2025-11-02", why),
        ]
    if plan.code == "tram_depot":
        return [added(1, "P133", 8, "2026-04-18", "ties the roof halves together")]
    if plan.code == "observatory":
        dearest = max(
            (line for line in lines if line.quantity >= 6), key=lambda line: line.part.base_price * line.quantity
        )
        cells = (
            dearest.number,
            "remove",
            "",
            "",
            2,
            "",
            "2026-01-25",
            "two are not needed, the dome closes without them",
        )
        return [dict(zip(AMENDMENT_COLUMNS, cells, strict=True))]
    return []


def maker_lines(lines: list[Line]) -> list[int]:
    """Lines bought at the maker's shop: common elements needed in some number, where its range is sure to have them."""
    carried = [line for line in lines if maker_assortment(line.part, line.colour_code) and line.quantity >= 8]
    carried.sort(key=lambda line: -line.quantity)
    return sorted(line.number for line in carried[: max(3, len(lines) // 14)])


def model_settings(plan: ModelPlan) -> ModelSettings:
    """The settings of the model's model.toml."""
    return ModelSettings(
        model_code=plan.code,
        title=plan.title,
        designer=plan.designer,
        copy_count=COPIES.get(plan.code, 1),
        skip_sections=SKIPPED.get(plan.code, []),
        maker_lines=maker_lines(lines_of(plan)),
        publish_lines=PUBLISH.get(plan.code, "none"),
        instructions=_instructions(plan.code),
        versions=[
            ListVersion(list_version=number, released_on=date.fromisoformat(day))
            for number, day in enumerate(RELEASES[plan.code], 1)
        ],
    )
