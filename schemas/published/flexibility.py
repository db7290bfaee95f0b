"""What flexibility of colour and form saves, and which lines to look at first."""

from schemas.contract import Contract
from schemas.published.keys import PLAN_KEY

_HOW_ESTIMATED = (
    "What the lines with the largest savings save alone and last is planned. The rest, and every fair share, is a quick "
    "estimate within a few dozen sets of vendors, scaled to the plans; flexibility_cost shows how far off it is. Fair shares "
    "of colour_flex_saving and substitute_saving add up to the total saving of flexibility_cost."
)

FLEXIBILITY_COST = Contract(
    name="flexibility_cost",
    grain="one row per flexible plan and kind of flexibility allowed: what the model costs with it",
    columns=(
        *PLAN_KEY, "flexibility_allowed", "landed_cost", "unfilled_piece_count", "complete_cost", "total_saving",
        "saving_low", "saving_high", "is_distinct", "modelled_saving", "share_basis", "planned_line_count",
        "mean_estimate_error", "largest_estimate_error", "line_count", "decided_line_count", "decided_share",
        "looked_line_numbers",
    ),
    key=(*PLAN_KEY, "flexibility_allowed"),
    optional={
        "saving_low": None, "saving_high": None, "modelled_saving": None, "mean_estimate_error": None,
        "largest_estimate_error": None, "looked_line_numbers": "",
    },
    notes="none and both are the published plans. colour, substitutes and first_looks are planned among a few vendors, so "
    "that they cost too much at most. Their saving_high comes from a lower bound that holds for all vendors: of their own "
    "linear relaxation or, for colour and substitutes, of the flexible plan if that is higher.",
)  # fmt: skip

COLOUR_FLEX_SAVING = Contract(
    name="colour_flex_saving",
    grain="one row per flexible plan, line that may take another colour, and view",
    columns=(
        *PLAN_KEY, "line_number", "listed_part_code", "listed_colour_code", "colour_rule", "quantity", "saving_view",
        "saving", "saving_basis", "saving_low", "saving_high", "is_distinct", "standard_error", "flexible_line_count", "interplay", "interplay_line_numbers",
    ),
    key=(*PLAN_KEY, "line_number", "saving_view"),
    optional={"saving_low": None, "saving_high": None, "standard_error": None, "interplay": "none", "interplay_line_numbers": ""},
    notes=_HOW_ESTIMATED,
)  # fmt: skip

SUBSTITUTE_SAVING = Contract(
    name="substitute_saving",
    grain="one row per flexible plan, line that another form could fill, and view",
    columns=(
        *PLAN_KEY, "line_number", "listed_part_code", "listed_colour_code", "quantity", "saving_view", "saving",
        "saving_basis", "saving_low", "saving_high", "is_distinct", "standard_error", "interplay", "interplay_line_numbers",
    ),
    key=(*PLAN_KEY, "line_number", "saving_view"),
    optional={"saving_low": None, "saving_high": None, "standard_error": None, "interplay": "none", "interplay_line_numbers": ""},
    notes=_HOW_ESTIMATED,
)  # fmt: skip

LOOK_FIRST = Contract(
    name="look_first",
    grain="one row per flexible plan and undecided line, in the order in which to look at them",
    columns=(
        *PLAN_KEY, "look_rank", "line_number", "listed_part_code", "listed_colour_code", "quantity", "look_saving",
        "added_saving", "look_saving_so_far", "best_look_saving", "best_line_numbers", "is_worth_a_look",
        "look_colour_codes", "fillable_piece_count",
    ),
    key=(*PLAN_KEY, "look_rank"),
    optional={"best_line_numbers": "", "look_colour_codes": ""},
    notes="A quick estimate within a few dozen sets of vendors. What the first lines save when they are planned is "
    "in flexibility_cost.",
)  # fmt: skip
