"""Columns about plans made under another rule or assumption."""

from schemas.contract import BUYERS_CURRENCY, Column

COLUMNS = (
    Column(
        "variant_kind",
        "code",
        "without_vendor: the vendor of variant_value forbidden; at_most_vendors: no more vendors than variant_value; "
        "flat_shipping: every independent vendor's flat shipping charge is variant_value, in the buyer's currency; "
        "suspects_trusted: offers with suspicious prices may be bought as well; sources_in_plan: more vendors are ordered from, "
        "so that as many as variant_value could fill each portion whole, where as many could at all",
        allowed=("without_vendor", "at_most_vendors", "flat_shipping", "suspects_trusted", "sources_in_plan"),
    ),
    Column("variant_value", "code", "the vendor code, number of vendors or charge that variant_kind speaks of"),
    Column("variant_vendor_codes", "code_list", "vendors the variant orders from"),
    Column(
        "assumption",
        "code",
        "what is changed",
        allowed=("shipping", "tax", "exchange_rate", "prices", "condition", "vendor_count", "freedoms", "counter"),
    ),
    Column("swing_side", "code", "which way it is changed", allowed=("down", "up")),
    Column("changed_to", "text", "the assumption in words as changed"),
    Column("swing_amount", "amount", "complete cost then, less that of the plan", unit=BUYERS_CURRENCY),
)
