"""Columns about plans made under another rule or assumption."""

from schemas.contract import BUYERS_CURRENCY, Column

COLUMNS = (
    Column(
        "variant_kind",
        "code",
        "without_vendor: the vendor of variant_value is not allowed; at_most_vendors: at most variant_value "
        "vendors; flat_shipping: every independent vendor's flat shipping charge is variant_value, in the "
        "buyer's currency; suspects_trusted: offers with suspect prices may be bought as well; "
        "sources_in_plan: more vendors are ordered from, so that variant_value of them could fill each "
        "portion whole, or as many as could at all",
        allowed=("without_vendor", "at_most_vendors", "flat_shipping", "suspects_trusted", "sources_in_plan"),
    ),
    Column("variant_value", "code", "the vendor code, number of vendors or charge that variant_kind uses"),
    Column("variant_vendor_codes", "code_list", "vendors the variant orders from"),
    Column(
        "assumption",
        "code",
        "the assumption that is changed. vendor_count: one parcel fewer; flexible_lines: all lines as listed; maker: nothing "
        "from the maker's shop; condition: used pieces too; the others: by the amount in changed_to",
        allowed=("shipping", "tax", "exchange_rate", "prices", "condition", "vendor_count", "flexible_lines", "maker"),
    ),
    Column("sensitivity_side", "code", "the direction in which it is changed", allowed=("down", "up")),
    Column("changed_to", "text", "the changed assumption in words"),
    Column(
        "sensitivity_amount",
        "amount",
        "complete cost under the changed assumption, minus that of the plan",
        unit=BUYERS_CURRENCY,
    ),
)
