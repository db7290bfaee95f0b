"""Published tables of an invented night, small or large: every frame keeps to its contract and amounts add up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.inputs import Model, WorkspaceInputs
from pipelines.money import round_money
from pipelines.settings import Buyer, Settings
from pipelines.settings_refresh import ReportSettings
from schemas.all_tables import ALL_PUBLISHED, SAVING_CONTRACTS, WORKSPACE_TABLES
from schemas.published.keys import PLAN_KEY
from schemas.published.plans import MODEL_COST, PLAN_LINE, PLAN_PURCHASE, PLAN_VENDOR, SECOND_SOURCE, UNFILLED_LINE
from schemas.published.price_history import PRICE_HISTORY
from schemas.published.price_index import ELEMENT_PRICE, PRICE_INDEX
from schemas.published.what_if import PLAN_VARIANT
from schemas.validate import empty_frame, validate_typed
from tests.builders.published.order_amounts import order_amounts
from tests.builders.published.sample_outlook import outlook_tables
from tests.builders.published.sample_scene import (
    BUYERS,
    PUBLISH,
    RATES,
    SCENARIO_FACTORS,
    SCENARIOS,
    TITLES,
    TODAY,
    VENDOR_ROWS,
    WATCHES,
    about,
    earlier,
    frame,
    model_of,
    month_ends,
    workspace_tables,
)
from tests.builders.published.sample_trends import add_trends


def sample(
    *,
    titles: Sequence[str] = TITLES[:3],
    buyers: Sequence[Buyer] = BUYERS,
    month_count: int = 14,
    line_count: int = 12,
    with_missing: bool = True,
    publish: Sequence[str] = PUBLISH,
) -> tuple[dict[str, pl.DataFrame], WorkspaceInputs]:
    """Tables and inputs of a night: one model per title, whose ``publish_lines`` cycles through ``publish``."""
    days = month_ends(month_count)
    models = [
        model_of(number, title, publish[number % len(publish)], line_count) for number, title in enumerate(titles)
    ]
    settings = Settings(buyer=list(buyers), report=ReportSettings(title="What our models cost"), watch=list(WATCHES))
    tables = {contract.name: empty_frame(contract) for contract in (*WORKSPACE_TABLES, *ALL_PUBLISHED)}
    tables.update(workspace_tables(days))
    night = _Night(days, with_missing)
    for number, model in enumerate(models):
        for buyer in buyers:
            night.add_model(number, model, buyer)
    tables.update(night.tables())
    inputs = WorkspaceInputs(settings, tables, tuple(models), tables["input_file"])
    tables.update(outlook_tables(tables, inputs, TODAY))
    for contract in (*WORKSPACE_TABLES, *ALL_PUBLISHED):
        tables[contract.name] = validate_typed(contract, tables[contract.name], where="sample")
    workspace = {contract.name: tables[contract.name] for contract in WORKSPACE_TABLES}
    return tables, WorkspaceInputs(settings, workspace, tuple(models), tables["input_file"])


class _Night:
    """Collects the rows of the computed tables."""

    def __init__(self, days: list[date], with_missing: bool) -> None:
        self.days = days
        self.with_missing = with_missing
        self.rows: dict[str, list[dict[str, Any]]] = {
            c.name: []
            for c in (
                MODEL_COST, PLAN_VENDOR, PLAN_PURCHASE, PLAN_LINE, UNFILLED_LINE, *SAVING_CONTRACTS,
                PLAN_VARIANT, SECOND_SOURCE, PRICE_INDEX, ELEMENT_PRICE, PRICE_HISTORY,
            )
        }  # fmt: skip
        self.offers: set[str] = set()

    def tables(self) -> dict[str, pl.DataFrame]:
        """All rows as frames."""
        by_name = {contract.name: contract for contract in ALL_PUBLISHED}
        return {name: frame(by_name[name], rows) for name, rows in self.rows.items()}

    def add_model(self, number: int, model: Model, buyer: Buyer) -> None:
        """Plans of every date, in full for today; savings; twelve months and more of indices and prices."""
        for scenario in SCENARIOS:
            plan = self._add_plan(number, model, buyer, scenario)
            for step, day in enumerate(self.days[:-1]):
                self.rows["model_cost"].append(earlier(plan, day, 1 + 0.03 * math.sin(step + number) - 0.002 * step))
            if scenario == "cheapest":
                self._add_variants(plan)
        self._add_savings(number, model, buyer)
        add_trends(self.rows, self.days, number, model, buyer)

    def _add_plan(self, number: int, model: Model, buyer: Buyer, scenario: str) -> dict[str, Any]:
        key = {
            "priced_on": TODAY,
            "model_code": model.model_code,
            "scenario_code": scenario,
            "buyer_code": buyer.buyer_code,
        }
        vendors = [v for v in VENDOR_ROWS if v[2] == "independent" or scenario.startswith(("maker", "cheapest"))][:4]
        lines = model.parts_list.to_dicts()
        missing = lines[-2:] if self.with_missing and scenario == "listed" and len(lines) > 3 else []
        bought: dict[str, list[tuple[dict[str, Any], Decimal]]] = {}
        for line in lines:
            if line not in missing:
                vendor = vendors[line["line_number"] % len(vendors[:3])]
                base = Decimal(SCENARIO_FACTORS[scenario]) * (3 + 4 * number + line["line_number"] % 9) / 2000
                price = (base * RATES[vendor[4]]).quantize(Decimal("0.0001"))
                bought.setdefault(vendor[0], []).append((line, price))
        plan: dict[str, Any] = {
            **key,
            **dict.fromkeys(("goods", "shipping", "handling", "tax", "landed_cost"), Decimal(0)),
        }
        for vendor in vendors:
            if vendor[0] in bought:
                self._add_vendor(key, vendor, bought[vendor[0]], buyer, plan)
        estimate = self._add_missing(key, missing, buyer)
        gap_pct = {"flexible": 0.4, "cheapest": 0.31}.get(scenario, 0.0)
        bound = round_money(plan["landed_cost"] * 1000 / Decimal(1000 + int(gap_pct * 10)), buyer.currency_code)
        plan |= {
            "model_title": model.settings.title,
            "list_version": 1,
            "copy_count": 1,
            "currency_code": buyer.currency_code,
            "plan_status": "partial" if missing else "bounded" if gap_pct else "proven",
            "unfilled_estimate": estimate,
            "complete_cost": plan["landed_cost"] + estimate,
            "instructions_cost": round_money(Decimal(12) * RATES[buyer.currency_code], buyer.currency_code),
            "lower_bound": min(bound, plan["landed_cost"]),
            "gap_pct": gap_pct,
            "vendor_count": len(bought),
            "element_count": len(lines) - len(missing),
            "piece_count": sum(line["quantity"] for line in lines),
            "on_hand_piece_count": 0,
            "spare_piece_count": 2 * len(bought),
            "unfilled_piece_count": sum(line["quantity"] for line in missing),
            "unfilled_estimate_count": 0,
            "oldest_offer_on": TODAY - timedelta(days=12),
            "effort": "standard",
        }
        self.rows["model_cost"].append(plan)
        return plan

    def _add_vendor(
        self,
        key: dict[str, Any],
        vendor: tuple[str, ...],
        lines: list[tuple[dict[str, Any], Decimal]],
        buyer: Buyer,
        plan: dict[str, Any],
    ) -> None:
        code, own = buyer.currency_code, vendor[4]
        rate = (Decimal(RATES[code]) / RATES[own]).quantize(Decimal("0.000000000001"))
        goods_own = Decimal(0)
        for position, (line, price) in enumerate(lines):
            spare = 2 if position == 0 else 0
            goods_own += self._add_purchase(key, vendor, line, price, spare)
        shipping_own = Decimal(7 * RATES[own])
        tax_own = (round_money(goods_own, own) + shipping_own) / 5
        handling_own = Decimal(RATES[own]) if vendor[2] == "maker" else 0
        amounts = order_amounts(
            goods_own, shipping_own, handling_own, tax_own, rate=rate, vendor_currency=own, currency=code
        )
        for name in ("goods", "shipping", "handling", "tax", "landed_cost"):
            plan[name] += amounts[name]
        self.rows["plan_vendor"].append(
            {
                **key,
                "vendor_code": vendor[0],
                "order_number": 1,
                "vendor_name": vendor[1],
                "vendor_kind": vendor[2],
                **amounts,
                "element_count": len(lines),
                "bought_piece_count": sum(line["quantity"] for line, _ in lines) + 2,
            }
        )

    def _add_purchase(
        self, key: dict[str, Any], vendor: tuple[str, ...], line: dict[str, Any], price: Decimal, spare: int
    ) -> Decimal:
        offer = {
            "offer_id": f"{key['model_code']}-{key['buyer_code']}-{key['scenario_code']}-{vendor[0]}-{line['line_number']}",
            "vendor_code": vendor[0],
            "order_number": 1,
            "part_code": line["part_code"],
            "colour_code": line["colour_code"],
            "condition": "new",
            "listing_code": f"{key['model_code']}{line['line_number']}",
            "step_from_quantity": 1,
            "unit_price": price,
        }
        pieces = line["quantity"] + spare
        value: Decimal = price * pieces
        self.rows["plan_purchase"].append(
            {
                **key,
                **offer,
                "bought_piece_count": pieces,
                "used_piece_count": line["quantity"],
                "spare_piece_count": spare,
                "vendor_currency_code": vendor[4],
                "purchase_value": value,
            }
        )
        other = key["scenario_code"] != "listed" and line["line_number"] % 2 == 1
        self.rows["plan_line"].append(
            {
                **key,
                **offer,
                "line_number": line["line_number"],
                "portion_number": 1,
                "portion_source": "designer",
                "listed_part_code": line["part_code"],
                "listed_colour_code": line["colour_code"],
                "colour_rule": "any" if line["line_number"] % 2 else "as_listed",
                "quantity": line["quantity"],
                "vendor_currency_code": vendor[4],
                "is_listed_colour": not other,
                "is_listed_part": not (other and line["line_number"] % 5 == 0),
            }
        )
        self.rows["price_history"].append(
            {
                **offer,
                "listing_code": offer["offer_id"],
                "currency_code": vendor[4],
                "quantity_available": 500,
                "sold_in_multiples_of": 1,
                "form_certainty": "stated",
                "valid_from_on": TODAY - timedelta(days=60),
                "last_confirmed_on": TODAY - timedelta(days=line["line_number"] % 13),
                "confirmed_from_on": TODAY - timedelta(days=line["line_number"] % 13),
            }
        )
        return value

    def _add_missing(self, key: dict[str, Any], missing: list[dict[str, Any]], buyer: Buyer) -> Decimal:
        total = Decimal(0)
        for line in missing:
            price = Decimal("0.25") * RATES[buyer.currency_code]
            amount = round_money(price * line["quantity"], buyer.currency_code)
            total += amount
            self.rows["unfilled_line"].append(
                {
                    **key,
                    "line_number": line["line_number"],
                    "portion_number": 1,
                    "listed_part_code": line["part_code"],
                    "listed_colour_code": line["colour_code"],
                    "unfilled_piece_count": line["quantity"],
                    "estimated_unit_price": price,
                    "unfilled_estimate": amount,
                    "estimate_basis": "last_seen",
                    "remedies": "any plain colour would fill it",
                }
            )
        return total

    def _add_variants(self, plan: dict[str, Any]) -> None:
        key = {name: plan[name] for name in PLAN_KEY}
        own = [row for row in self.rows["plan_vendor"] if all(row[name] == value for name, value in key.items())]
        codes = [row["vendor_code"] for row in own]
        made = [("without_vendor", code, 3, [other for other in codes if other != code]) for code in codes]
        made += [("at_most_vendors", str(most), 5 - most, codes[:most]) for most in range(1, len(codes))]
        made += [("flat_shipping", charge, int(charge) - 7, codes) for charge in ("4", "12")]
        for kind, value, extra, vendors in made:
            self.rows["plan_variant"].append(
                {
                    **key,
                    "variant_kind": kind,
                    "variant_value": value,
                    "landed_cost": plan["landed_cost"] + extra,
                    "unfilled_piece_count": plan["unfilled_piece_count"] + (value == "1"),
                    "vendor_count": len(vendors),
                    "variant_vendor_codes": ";".join(vendors),
                }
            )
        for row in self.rows["plan_line"]:
            if all(row[name] == value for name, value in key.items()):
                others = [code for code in codes if code != row["vendor_code"]][: row["line_number"] % 2]
                self.rows["second_source"].append(
                    {
                        **{name: row[name] for name in (*PLAN_KEY, "line_number", "portion_number", "quantity")},
                        "source_vendor_codes": row["vendor_code"],
                        "paid_unit_price": row["unit_price"],
                        "source_count": 1 + len(others),
                        "source_in_plan_count": 1 + len(others),
                        "second_vendor_code": "".join(others),
                        "second_unit_price": row["unit_price"] if others else None,
                        "is_second_in_plan": bool(others),
                    }
                )

    def _add_savings(self, number: int, model: Model, buyer: Buyer) -> None:
        """Savings of every second line, and looks at the others."""
        rate = RATES[buyer.currency_code]
        key = {"priced_on": TODAY, "model_code": model.model_code, "scenario_code": "flexible"}
        key["buyer_code"] = buyer.buyer_code
        for line in model.parts_list.to_dicts()[::2]:
            for view, factor in (("alone", 12), ("last", 9), ("fair", 10)):
                saving = max(Decimal(0), Decimal(factor * (line["line_number"] * 5 % 11 - 2)) / 50 * rate)
                row = {
                    **key,
                    **about(line),
                    "saving_view": view,
                    "saving": round_money(saving, buyer.currency_code),
                    **_as_planned(view != "fair", saving, Decimal(rate), buyer.currency_code),
                    "interplay": "vendor" if line["line_number"] == 1 else "none",
                    "interplay_line_numbers": "3" if line["line_number"] == 1 else "",
                }
                self.rows["colour_flex_saving"].append({**row, "colour_rule": "any", "flexible_line_count": 1})
                if line["line_number"] == 1:
                    self.rows["substitute_saving"].append(row)
        so_far = Decimal(0)
        for rank, line in enumerate(model.parts_list.to_dicts()[1::2], 1):
            added = round_money(max(Decimal(0), Decimal(5 - rank) / 4) * rate, buyer.currency_code)
            so_far += added
            self.rows["look_first"].append(
                {
                    **key,
                    **about(line),
                    "look_rank": rank,
                    "look_saving": added,
                    "added_saving": added,
                    "look_saving_so_far": so_far,
                    "best_look_saving": so_far,
                    "is_worth_a_look": added > 0,
                    "look_colour_codes": line["colour_code"],
                    "fillable_piece_count": 0,
                }
            )
        self._add_flexibility_costs(key, model, so_far)

    def _add_flexibility_costs(self, key: dict[str, Any], model: Model, looked: Decimal) -> None:
        plans = {
            row["scenario_code"]: row
            for row in self.rows["model_cost"]
            if all(row[name] == key[name] for name in ("priced_on", "model_code", "buyer_code"))
        }
        listed, flexible = (plans[code]["complete_cost"] for code in ("listed", "flexible"))
        line_count = model.parts_list["line_number"].n_unique()
        for allowed, cost in (
            ("none", listed),
            ("colour", max(flexible, listed - (listed - flexible) / 2)),
            ("both", flexible),
            ("first_looks", flexible - looked),
        ):
            cost = round_money(cost, plans["listed"]["currency_code"])
            self.rows["flexibility_cost"].append(
                {
                    **key,
                    "flexibility_allowed": allowed,
                    "landed_cost": cost,
                    "unfilled_piece_count": 0,
                    "complete_cost": cost,
                    "total_saving": max(Decimal(0), listed - cost),
                    "saving_low": Decimal(0) if allowed in ("none", "colour") else listed - cost,
                    "saving_high": max(Decimal(0), listed - cost),
                    "is_distinct": allowed not in ("none", "colour"),
                    "planned_line_count": line_count // 2,
                    "mean_estimate_error": Decimal("0.12"),
                    "largest_estimate_error": Decimal("0.66"),
                    "share_basis": "exact",
                    "line_count": line_count,
                    "decided_line_count": (line_count + 1) // 2,
                    "decided_share": ((line_count + 1) // 2) / line_count,
                    "looked_line_numbers": "2;4" if allowed == "first_looks" else "",
                }
            )


def _as_planned(is_planned: bool, saving: Decimal, rate: Decimal, currency_code: str) -> dict[str, Any]:
    """Basis, range and clearness of a saving: planned within 0.30, or an estimate."""
    if not is_planned:
        return {"saving_basis": "estimated", "saving_low": None, "saving_high": None, "is_distinct": False}
    exact, gap = round_money(saving, currency_code), round_money(Decimal("0.3") * rate, currency_code)
    low = max(Decimal(0), exact - gap)
    return {"saving_basis": "planned", "saving_low": low, "saving_high": exact + gap, "is_distinct": low > 0}
