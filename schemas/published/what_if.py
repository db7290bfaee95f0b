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
        "sensitivity_low", "sensitivity_high", "unfilled_piece_count",
    ),
    key=(*PLAN_KEY, "assumption", "sensitivity_side"),
    optional=dict.fromkeys(("sensitivity_amount", "sensitivity_low", "sensitivity_high")),
    notes="What `kitfare whatif` answers at quick effort: both sides are planned, from the published plans, and a plan "
    "found for one side is tried for the other. So the plan as it is can cost a little less than the published one. A change "
    "is surely cheaper or dearer only where both ends have one sign.",
)  # fmt: skip
