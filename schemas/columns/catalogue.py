"""Columns of parts, colours and elements: what each is, what may replace it, how many are on hand."""

from schemas.contract import Column

COLUMNS = (
    Column("part_code", "code", "the part (a shape), in the workspace's own numbering"),
    Column("part_name", "text", "what the part is called"),
    Column("part_family", "text", "the family a part belongs to, such as bricks or plates"),
    Column(
        "surface",
        "code",
        "whether the part is plain, printed or plated; only like stands in for like",
        allowed=("plain", "printed", "plated"),
    ),
    Column("material", "code", "hard or soft plastic; soft never stands in for hard", allowed=("hard", "soft")),
    Column("weight_grams", "price", "weight of one piece", unit="g", minimum=0),
    Column("largest_dimension_mm", "price", "longest edge of one piece", unit="mm", minimum=0),
    Column("colour_code", "code", "the colour, in the workspace's own palette"),
    Column("colour_name", "text", "what the colour is called"),
    Column("srgb_hex", "code", "the colour as sRGB", pattern="#RRGGBB"),
    Column("colour_family", "text", "the family a colour belongs to, such as greys"),
    Column(
        "finish",
        "code",
        "how the plastic looks; the colour rule any means plain opaque colours unless the portion names others",
        allowed=("plain", "transparent", "metallic", "pearl", "glow"),
    ),
    Column("substitute_part_code", "code", "the substitute: the part that may be bought in place of part_code"),
    Column(
        "substitute_kind",
        "code",
        "resolves_open_form: part_code leaves the form open, and this is one of the forms it may mean; "
        "other_form: another form that does the same job",
        allowed=("resolves_open_form", "other_form"),
    ),
    Column(
        "strength",
        "code",
        "how strong the substitute is, compared with the listed part",
        allowed=("stronger", "equal", "weaker"),
    ),
    Column("combination_code", "code", "names one combination: one way to make the part from several others"),
    Column("component_part_code", "code", "a part of the combination"),
    Column(
        "component_count",
        "integer",
        "how many of the component replace one listed part",
        unit="pieces",
        minimum=1,
    ),
    Column("source_code", "code", "the source of a file, as its profile names it"),
    Column("source_part_code", "code", "the part as the source writes it"),
    Column(
        "is_ambiguous",
        "flag",
        "the source's code may mean more than one form, so its offers leave the form open",
    ),
    Column(
        "element_status",
        "code",
        "whether the element is still made, as far as the user knows",
        allowed=("current", "retired", "never_made", "unknown"),
    ),
    Column("quantity_on_hand", "integer", "pieces already on hand", unit="pieces", minimum=0),
)
