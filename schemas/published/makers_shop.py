"""The maker's shop: what to buy there, and what its thresholds require."""

from schemas.contract import Contract
from schemas.published.keys import MODEL_KEY

MAKER_CHOICE = Contract(
    name="maker_choice",
    grain="one row per date, model, buyer and portion that the maker's shop could serve or that the cheapest mix "
    "buys there",
    columns=(
        *MODEL_KEY, "line_number", "portion_number", "listed_part_code", "listed_colour_code", "quantity",
        "currency_code", "maker_vendor_code", "maker_unit_price", "elsewhere_vendor_code", "elsewhere_unit_price",
        "maker_saving", "maker_piece_count", "is_maker_line",
    ),
    key=(*MODEL_KEY, "line_number", "portion_number"),
    optional={
        "maker_vendor_code": "", "maker_unit_price": None, "elsewhere_vendor_code": "", "elsewhere_unit_price": None,
        "maker_saving": None,
    },
    notes="A price is the mean price of the cheapest stock that covers the portion, each portion by itself. It is "
    "without shipping and handling, which only a plan can take into account.",
)  # fmt: skip

MAKER_THRESHOLD = Contract(
    name="maker_threshold",
    grain="one row per date, model, buyer, maker's shop and value from which its terms change",
    columns=(
        *MODEL_KEY, "maker_vendor_code", "threshold_kind", "assortment_code", "vendor_currency_code",
        "threshold_value", "spent_value", "left_to_go", "threshold_charge",
    ),
    key=(*MODEL_KEY, "maker_vendor_code", "threshold_kind", "assortment_code"),
    optional={"assortment_code": "", "threshold_charge": None},
    notes="spent_value is the goods value of the cheapest mix's order there, at displayed prices; of several "
    "orders, the first, which has the most pieces.",
)  # fmt: skip

MAKER_FURTHER = Contract(
    name="maker_further",
    grain="one row per date, model, buyer and maker's shop: what the cheapest mix costs if a little more is spent "
    "there",
    columns=(
        *MODEL_KEY, "maker_vendor_code", "currency_code", "maker_goods_value", "further_spend", "landed_cost",
        "further_landed_cost", "further_cost_change", "further_piece_count", "unfilled_piece_count",
        "further_unfilled_piece_count",
    ),
    key=(*MODEL_KEY, "maker_vendor_code"),
    optional={"further_landed_cost": None, "further_cost_change": None, "further_unfilled_piece_count": None},
    notes="Planned with little effort among the vendors of the mix and a few others: it can be bought at this cost, "
    "and a cheaper way may exist. Empty where the maker's shop has not enough to spend it on.",
)  # fmt: skip
