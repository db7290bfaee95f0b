"""Columns of models: their parts lists, flexible lines and amendments."""

from schemas.contract import Column

COLUMNS = (
    Column("model_code", "code", "the model; also the name of its folder"),
    Column("model_title", "text", "what the model is called"),
    Column("list_version", "integer", "version of the designer's parts list", minimum=1),
    Column(
        "line_number",
        "integer",
        "line of the parts list; a line keeps its number through the versions",
        minimum=1,
    ),
    Column(
        "portion_number",
        "integer",
        "portion of the line; the quantity of a line is split among its portions",
        minimum=1,
    ),
    Column("quantity", "integer", "pieces", unit="pieces", minimum=1, maximum=1_000_000),
    Column("section_code", "code", "section of the model the line belongs to; empty for the main body"),
    Column(
        "colour_rule",
        "code",
        "as_listed: the listed colour; any: any plain opaque colour, mixed colours too; any_one: the same, "
        "but one colour for all portions of group_code; one_of: the listed colour and accept_colour_codes; "
        "near: colours within near_distance; undecided: nobody has decided yet, same as as_listed",
        allowed=("as_listed", "any", "any_one", "one_of", "near", "undecided"),
    ),
    Column(
        "accept_colour_codes",
        "code_list",
        "one_of: colours allowed besides the listed one; any, any_one: colours allowed besides the plain opaque ones",
    ),
    Column("refuse_colour_codes", "code_list", "colours that are never allowed, whatever the rule"),
    Column(
        "group_code",
        "code",
        "portions of one model with the same group_code must all be bought in one colour (any_one)",
    ),
    Column(
        "near_distance",
        "number",
        "largest CIEDE2000 distance from the listed colour (near)",
        minimum=0,
        maximum=100,
    ),
    Column(
        "flexible_quantity",
        "integer",
        "how many of the pieces follow colour_rule; the others are as listed. Empty: all of them",
        unit="pieces",
        minimum=0,
        maximum=1_000_000,
    ),
    Column("accept_conditions", "code_list", "conditions allowed: new, or new;used"),
    Column(
        "is_load_bearing",
        "flag",
        "the portion carries load: no weaker form, open form or combination may replace the part",
    ),
    Column("decided_by", "text", "who decided"),
    Column(
        "amendment_action",
        "code",
        "add: a new line; remove: take pieces from a listed line",
        allowed=("add", "remove"),
    ),
    Column("portion_source", "code", "where the portion comes from", allowed=("designer", "amendment")),
)
