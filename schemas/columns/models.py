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
    Column("section_code", "code", "optional section of the model the line belongs to; empty for the main body"),
    Column(
        "colour_rule",
        "code",
        "as_listed; any: mixed colours are fine; any_one: any, but all portions of group_code alike; one_of: "
        "accept_colour_codes; near: within near_distance; unjudged: nobody has looked yet, behaves as as_listed",
        allowed=("as_listed", "any", "any_one", "one_of", "near", "unjudged"),
    ),
    Column(
        "accept_colour_codes",
        "code_list",
        "colours allowed besides the listed one (one_of), or allowed beyond plain opaque ones (any, any_one)",
    ),
    Column("refuse_colour_codes", "code_list", "colours refused whatever the rule says"),
    Column("group_code", "code", "portions of one model and group must end up in one colour (any_one)"),
    Column(
        "near_distance",
        "number",
        "largest CIEDE2000 distance from the listed colour (near)",
        minimum=0,
        maximum=100,
    ),
    Column(
        "free_quantity",
        "integer",
        "this many of the pieces follow colour_rule, the rest is as listed; empty for all of them",
        unit="pieces",
        minimum=0,
        maximum=1_000_000,
    ),
    Column("accept_conditions", "code_list", "conditions allowed: new, or new;used"),
    Column(
        "is_load_bearing",
        "flag",
        "the portion carries load: no weaker form, open form or make-up may stand in",
    ),
    Column(
        "judged_on",
        "date",
        "date of the decision; it holds from then on and replaces the line's earlier rows",
    ),
    Column("judged_by", "text", "who decided"),
    Column(
        "amendment_action",
        "code",
        "add a line, or remove pieces from a listed one",
        allowed=("add", "remove"),
    ),
    Column("portion_source", "code", "where the portion comes from", allowed=("designer", "amendment")),
)
