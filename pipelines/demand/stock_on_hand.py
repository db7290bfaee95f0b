"""Pieces already on hand, given to portions before anything is bought."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipelines.demand.fitting import PORTION_KEY

ON_HAND_SCHEMA = pl.Schema(
    {
        "line_number": pl.Int64(),
        "portion_number": pl.Int64(),
        "part_code": pl.String(),
        "colour_code": pl.String(),
        "condition": pl.String(),
        "quantity": pl.Int64(),
    }
)
_ELEMENT = ["part_code", "colour_code", "condition"]
Element = tuple[str, str, str]
Portion = tuple[int, int]


def take_from_stock(portions: pl.DataFrame, fits: pl.DataFrame, stock: pl.DataFrame) -> pl.DataFrame:
    """Give stock to portions in a fixed order: first listed elements to the portions that list them, then the rest.

    In both rounds portions go by line and number, elements by part, colour and condition. Portions that must end up in one
    colour take stock only where one colour fills them all, so that stock never decides their colour for what is bought. Stock
    is not used in combinations.

    Args:
        portions: PORTIONS_SCHEMA.
        fits: FIT_SCHEMA.
        stock: the table stock_on_hand.

    Returns:
        ON_HAND_SCHEMA, one row per portion and element.
    """
    left = {row[:3]: row[3] for row in stock.sort(_ELEMENT).select(*_ELEMENT, "quantity_on_hand").iter_rows()}
    usable = fits.filter(pl.col("combination_code") == "").join(stock, on=_ELEMENT, how="semi")
    options: dict[Portion, list[Element]] = {}
    for line, number, *element in usable.sort(PORTION_KEY).select(*PORTION_KEY, *_ELEMENT).iter_rows():
        options.setdefault((line, number), []).append((element[0], element[1], element[2]))
    taken: dict[tuple[Portion, Element], int] = {}
    ordered = portions.sort(PORTION_KEY).to_dicts()
    free = [portion for portion in ordered if not portion["group_code"]]
    _take(free, options, left, taken, only_listed=True)
    for group in sorted({portion["group_code"] for portion in ordered} - {""}):
        _take_group([portion for portion in ordered if portion["group_code"] == group], options, left, taken)
    _take(free, options, left, taken, only_listed=False)
    rows = [(*portion, *element, quantity) for (portion, element), quantity in sorted(taken.items())]
    return pl.DataFrame(rows, schema=ON_HAND_SCHEMA, orient="row")


def _take(
    portions: list[dict[str, Any]],
    options: dict[Portion, list[Element]],
    left: dict[Element, int],
    taken: dict[tuple[Portion, Element], int],
    *,
    only_listed: bool,
) -> None:
    for portion in portions:
        key = (portion["line_number"], portion["portion_number"])
        need = portion["quantity"] - sum(quantity for (owner, _), quantity in taken.items() if owner == key)
        for element in sorted(options.get(key, [])):
            is_listed = element[:2] == (portion["listed_part_code"], portion["listed_colour_code"])
            quantity = min(need, left[element])
            if quantity > 0 and (is_listed or not only_listed):
                left[element] -= quantity
                need -= quantity
                taken[key, element] = taken.get((key, element), 0) + quantity


def _take_group(
    portions: list[dict[str, Any]],
    options: dict[Portion, list[Element]],
    left: dict[Element, int],
    taken: dict[tuple[Portion, Element], int],
) -> None:
    listed = {portion["listed_colour_code"] for portion in portions}
    colours = {element[1] for portion in portions for element in _options_of(portion, options)}
    for colour in sorted(colours, key=lambda code: (code not in listed, code)):
        tried_left, tried = dict(left), dict(taken)
        in_colour = {key: [e for e in elements if e[1] == colour] for key, elements in options.items()}
        _take(portions, in_colour, tried_left, tried, only_listed=False)
        given = sum(tried.values()) - sum(taken.values())
        if given == sum(portion["quantity"] for portion in portions):
            left.update(tried_left)
            taken.update(tried)
            return


def _options_of(portion: dict[str, Any], options: dict[Portion, list[Element]]) -> list[Element]:
    return options.get((portion["line_number"], portion["portion_number"]), [])
