"""Files of ``kitfare plan`` as texts, and its answers counted."""

from collections import Counter
from typing import Any

OFFERS = "vendor_code,part_code,colour_code,condition,unit_price,currency_code,quantity_available"


NEEDS = "line_number,part_code,colour_code,quantity,colour_rule"


JSON_KEYS = {
    "status", "landed_cost", "goods", "shipping", "handling", "tax", "lower_bound", "gap_pct", "vendor_count", "vendors",
    "lines", "spares", "unfilled", "effort", "seconds",
}  # fmt: skip


def bought(found: Any) -> Any:
    """Pieces by vendor, part and colour, of lines and spares together."""
    pieces: Counter[Any] = Counter()
    for row in (*found["lines"], *found["spares"]):
        pieces[row["vendor_code"], row["part_code"], row["colour_code"]] += row["quantity"]
    return dict(pieces)


def used(found: Any) -> Any:
    """Pieces by line, portion and colour."""
    pieces: Counter[Any] = Counter()
    for row in found["lines"]:
        pieces[row["line_number"], row["portion_number"], row["colour_code"]] += row["quantity"]
    return dict(pieces)


TWO_NEEDS = [NEEDS, "1,00501,black,16,as_listed", "2,00502,red,4,as_listed"]


TWO_OFFERS = [OFFERS, "orchard,00501,black,new,0.085,EUR,120", "hall,00502,red,new,0.09,EUR,40"]


TWO_TERMS = ["vendor_code,shipping,tax_rate_pct,tax_on", "orchard,2.50,20,goods", "hall,3,21,included"]


THREE_OFFERS = [
    OFFERS, "hall,00501,black,new,0.10,EUR,20", "orchard,00501,black,new,0.20,EUR,20", "hall,00502,red,new,0.90,EUR,9",
    "orchard,00502,red,new,0.30,EUR,9", "barn,00502,red,new,0.50,EUR,9",
]  # fmt: skip


THREE_TERMS = ["vendor_code,shipping", "hall,1", "orchard,1", "barn,1"]


SEVERAL_NEEDS = [NEEDS, "1,00501,black,16,as_listed", "2,00502,red,10,as_listed"]


SEVERAL_OFFERS = [
    OFFERS, "orchard,00501,black,new,0.10,EUR,120", "orchard,00502,red,new,0.20,EUR,9", "hall,00501,black,new,1,EUR,500",
    "hall,00502,red,new,1,EUR,60",
]  # fmt: skip
