"""What a model costs under another rule or assumption."""

from schemas.contract import Contract
from schemas.published.keys import PLAN_KEY

PLAN_VARIANT = Contract(
    name="plan_variant",
    grain="one row per plan and changed rule: what it would cost under that rule",
    columns=(
        *PLAN_KEY, "variant_kind", "variant_value", "landed_cost", "unfilled_piece_count", "vendor_count",
        "variant_vendor_codes",
    ),
    key=(*PLAN_KEY, "variant_kind", "variant_value"),
    notes="Planned with little effort: the plan can be bought at this cost, and a cheaper one may exist.",
)  # fmt: skip

SENSITIVITY = Contract(
    name="sensitivity",
    grain="one row per date, model, buyer, assumption and direction of change, all other assumptions staying as "
    "they are",
    columns=(
        *PLAN_KEY, "assumption", "sensitivity_side", "changed_to", "currency_code", "complete_cost", "sensitivity_amount",
        "unfilled_piece_count",
    ),
    key=(*PLAN_KEY, "assumption", "sensitivity_side"),
    notes="Changed prices, shipping, tax and exchange rates: the same purchases under the changed terms, unless a "
    "vendor would refuse them. Other assumptions are planned again with little effort, starting from the "
    "published plan.",
)  # fmt: skip
