"""Columns about what flexibility of colour and form saves."""

from schemas.contract import BUYERS_CURRENCY, Column

COLUMNS = (
    Column(
        "saving",
        "amount",
        "what the line's flexibility saves, in the view of saving_view",
        unit=BUYERS_CURRENCY,
        minimum=0,
    ),
    Column(
        "saving_view",
        "code",
        "alone: what is saved if only this line is flexible; last: what this line adds if all other lines are "
        "flexible; fair: its fair share of what all lines save together (Shapley value)",
        allowed=("alone", "last", "fair"),
    ),
    Column(
        "saving_basis",
        "code",
        "planned: the difference of two plans among all vendors; estimated: a quick estimate within a few dozen sets of "
        "vendors, scaled to the plans",
        allowed=("planned", "estimated"),
    ),
    Column(
        "saving_low",
        "amount",
        "the saving is at least this: the lower bound of the plan with less flexibility minus the cost of the plan with "
        "more, and not below 0 where the one plan's rules allow all that the other's do; empty where that is not known",
        unit=BUYERS_CURRENCY,
    ),
    Column(
        "saving_high",
        "amount",
        "the saving is at most this: the cost of the plan with less flexibility minus the lower bound of the plan with "
        "more; empty where that is not known",
        unit=BUYERS_CURRENCY,
    ),
    Column(
        "is_distinct",
        "flag",
        "the saving is clear: above 0 wherever it may lie between saving_low and saving_high; never that of an estimate",
    ),
    Column(
        "standard_error",
        "amount",
        "standard error of a fair share that is a mean over sampled orders; empty where the share is exact",
        unit=BUYERS_CURRENCY,
        minimum=0,
    ),
    Column(
        "flexible_line_count",
        "integer",
        "lines that become flexible together because they must be alike, this one included. alone and last "
        "are the saving of all of them; each has an equal part of their fair share",
        unit="lines",
        minimum=1,
    ),
    Column(
        "interplay",
        "code",
        "whether the flexibility of other lines changes what this line saves. vendor: through the choice of "
        "vendors; stock: because they need the same offers",
        allowed=("none", "vendor", "stock"),
    ),
    Column("interplay_line_numbers", "code_list", "the lines with the strongest interplay, at most three"),
    Column(
        "flexibility_allowed",
        "code",
        "none: as listed; colour: other colours only; substitutes: other forms only; both: other colours and "
        "forms; first_looks: both, and the first lines of the look-first list in any colour",
        allowed=("none", "colour", "substitutes", "both", "first_looks"),
    ),
    Column(
        "total_saving",
        "amount",
        "complete cost as listed minus the complete cost here, at least 0",
        unit=BUYERS_CURRENCY,
        minimum=0,
    ),
    Column(
        "modelled_saving",
        "amount",
        "the same saving by the quick estimate that ranks flexible lines, before it is scaled to the plans",
        unit=BUYERS_CURRENCY,
        minimum=0,
    ),
    Column(
        "share_basis",
        "code",
        "how the fair shares were calculated. exact: over all sets of flexible lines; sampled: over random "
        "orders; none: nothing is saved",
        allowed=("exact", "sampled", "none"),
    ),
    Column(
        "planned_line_count",
        "integer",
        "flexible lines whose savings alone and last are planned; one that may differ in colour and in form counts twice",
        unit="lines",
        minimum=0,
    ),
    Column(
        "mean_estimate_error",
        "amount",
        "how far the estimates of these savings are from what is planned, on average; empty where nothing is planned",
        unit=BUYERS_CURRENCY,
        minimum=0,
    ),
    Column("largest_estimate_error", "amount", "the largest of these errors", unit=BUYERS_CURRENCY, minimum=0),
    Column("line_count", "integer", "lines of the designer's list", unit="lines", minimum=0),
    Column("decided_line_count", "integer", "lines of these that somebody has decided on", unit="lines", minimum=0),
    Column("decided_share", "number", "decided lines as a share of all lines", minimum=0, maximum=1),
    Column("looked_line_numbers", "code_list", "the lines made flexible in first_looks"),
    Column("look_rank", "integer", "place in the order in which to look at lines, from 1", minimum=1),
    Column(
        "look_saving",
        "amount",
        "what making this line flexible to any colour would save, with all other decisions as they are",
        unit=BUYERS_CURRENCY,
        minimum=0,
    ),
    Column(
        "added_saving",
        "amount",
        "what it would save in addition to the lines before it",
        unit=BUYERS_CURRENCY,
        minimum=0,
    ),
    Column(
        "look_saving_so_far",
        "amount",
        "what this line and the lines before it would save together",
        unit=BUYERS_CURRENCY,
        minimum=0,
    ),
    Column(
        "best_look_saving",
        "amount",
        "the largest saving of any choice of the same number of lines",
        unit=BUYERS_CURRENCY,
        minimum=0,
    ),
    Column("best_line_numbers", "code_list", "the lines of that choice, where they are few"),
    Column(
        "is_worth_a_look",
        "flag",
        "another colour would save at least ten of the currency's smallest units, alone or in addition to the "
        "lines before it",
    ),
    Column("look_colour_codes", "code_list", "the colours that would be bought if any were allowed"),
    Column(
        "fillable_piece_count",
        "integer",
        "pieces that can't be bought now and could be bought in another colour",
        unit="pieces",
        minimum=0,
    ),
)
