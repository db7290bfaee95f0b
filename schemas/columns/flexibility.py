"""Columns about what flexibility of colour and form saves."""

from schemas.contract import BUYERS_CURRENCY, Column

COLUMNS = (
    Column(
        "saving",
        "amount",
        "what the line's freedom saves in the view of saving_view",
        unit=BUYERS_CURRENCY,
        minimum=0,
    ),
    Column(
        "saving_view",
        "code",
        "alone: only this line freed; last: all freed but this one; fair: its fair share of what all save (Shapley value)",
        allowed=("alone", "last", "fair"),
    ),
    Column(
        "is_told_apart",
        "flag",
        "the saving is larger than the gaps of the plans it comes from: those of the plan as listed (alone), of the freed "
        "plan (last), or of both (fair, totals)",
    ),
    Column(
        "standard_error",
        "amount",
        "standard error of a fair share that is a mean over sampled orders; empty where it is exact",
        unit=BUYERS_CURRENCY,
        minimum=0,
    ),
    Column(
        "freed_line_count",
        "integer",
        "lines that are freed together because they must be alike, this one included; alone and last are theirs together, "
        "and each has the same part of their fair share",
        unit="lines",
        minimum=1,
    ),
    Column(
        "interplay",
        "code",
        "whether other lines' freedoms change what this one saves: vendor, through the choice of vendors; stock, because they "
        "want the same offers",
        allowed=("none", "vendor", "stock"),
    ),
    Column("interplay_line_numbers", "code_list", "the lines with the strongest such effect, at most three"),
    Column(
        "freedoms_allowed",
        "code",
        "none: as listed; colour: colour freedoms alone; interchange: other forms alone; both; first_looks: both, and the first "
        "lines of the look-first list in any colour",
        allowed=("none", "colour", "interchange", "both", "first_looks"),
    ),
    Column(
        "total_saving", "amount", "complete cost as listed less this one, at least 0", unit=BUYERS_CURRENCY, minimum=0
    ),
    Column(
        "modelled_saving",
        "amount",
        "the same by the quick reckoning that ranks freedoms, before it is put in proportion to the plans",
        unit=BUYERS_CURRENCY,
        minimum=0,
    ),
    Column(
        "share_basis",
        "code",
        "how the fair shares were worked out: exact, over all sets of freedoms; sampled, over random orders; none, where all "
        "freedoms save nothing",
        allowed=("exact", "sampled", "none"),
    ),
    Column("line_count", "integer", "lines of the designer's list", unit="lines", minimum=0),
    Column("judged_line_count", "integer", "of these, lines somebody has judged", unit="lines", minimum=0),
    Column("judged_share", "number", "judged lines among all", minimum=0, maximum=1),
    Column("looked_line_numbers", "code_list", "the lines freed in first_looks"),
    Column("look_rank", "integer", "place in the order in which to look at lines", minimum=1),
    Column(
        "look_saving",
        "amount",
        "what freeing this line to any colour would save, given what is free already",
        unit=BUYERS_CURRENCY,
        minimum=0,
    ),
    Column(
        "added_saving", "amount", "what it would save on top of the lines before it", unit=BUYERS_CURRENCY, minimum=0
    ),
    Column(
        "look_saving_so_far", "amount", "what this line and those before it would save", unit=BUYERS_CURRENCY, minimum=0
    ),
    Column(
        "best_look_saving",
        "amount",
        "the most that any choice of as many lines would save",
        unit=BUYERS_CURRENCY,
        minimum=0,
    ),
    Column("best_line_numbers", "code_list", "the lines of that choice, while they are few"),
    Column("is_worth_a_look", "flag", "false where every colour costs about the same, or no other colour is on offer"),
    Column("look_colour_codes", "code_list", "the colours that would be bought if any were allowed"),
    Column(
        "fillable_piece_count",
        "integer",
        "pieces that can't be bought now and could be in another colour",
        unit="pieces",
        minimum=0,
    ),
)
