"""Columns of purchase plans, receipts and savings."""

from schemas.contract import Column

COLUMNS = (
    Column("priced_on", "date", "the date whose prices, terms, rates, lists and freedoms the plan uses"),
    Column("scenario_code", "code", "the set of rules under which the plan is made"),
    Column("buyer_code", "code", "the buyer: a region, currency and tax setting"),
    Column("copy_count", "integer", "copies of the model the plan buys for", minimum=1),
    Column("effort", "code", "how much work the planner was allowed", allowed=("quick", "standard", "deep")),
    Column(
        "plan_status",
        "code",
        "proven: no cheaper plan exists; bounded: at most gap_pct above the best possible; partial: something could not "
        "be bought; refused: the plan failed a check and must not be used",
        allowed=("proven", "bounded", "partial", "refused"),
    ),
    Column("goods", "amount", "goods after order discounts, net of included tax", unit="currency of the buyer"),
    Column("shipping", "amount", "shipping", unit="currency of the buyer"),
    Column("handling", "amount", "handling charges and order fees", unit="currency of the buyer"),
    Column("tax", "amount", "tax, duty and clearance", unit="currency of the buyer"),
    Column("landed_cost", "amount", "goods + shipping + handling + tax", unit="currency of the buyer"),
    Column(
        "unfilled_estimate",
        "amount",
        "estimated cost of the pieces that could not be bought",
        unit="currency of the buyer",
    ),
    Column(
        "complete_cost",
        "amount",
        "landed cost plus the estimate for what could not be bought",
        unit="currency of the buyer",
    ),
    Column(
        "lower_bound",
        "amount",
        "no plan that buys as many pieces costs less than this",
        unit="currency of the buyer",
    ),
    Column("gap_pct", "number", "landed cost above the lower bound, in per cent of the bound", unit="%"),
    Column("vendor_count", "integer", "vendors ordered from: parcels", unit="vendors"),
    Column("element_count", "integer", "different elements bought", unit="elements"),
    Column("piece_count", "integer", "pieces wanted by the model", unit="pieces"),
    Column("bought_piece_count", "integer", "pieces bought", unit="pieces"),
    Column("used_piece_count", "integer", "pieces bought that serve a portion", unit="pieces"),
    Column("spare_piece_count", "integer", "pieces bought beyond the need", unit="pieces"),
    Column("on_hand_piece_count", "integer", "pieces taken from stock on hand", unit="pieces"),
    Column("unfilled_piece_count", "integer", "pieces that could not be bought", unit="pieces"),
    Column(
        "unfilled_estimate_count",
        "integer",
        "unfilled pieces for which no estimate could be made",
        unit="pieces",
    ),
    Column("oldest_offer_on", "date", "date of the oldest confirmation among the offers bought"),
    Column("vendor_currency_code", "code", "the vendor's currency, ISO 4217", pattern="AAA"),
    Column("exchange_rate_used", "price", "buyer's currency for one unit of the vendor's, margin included"),
    Column(
        "vendor_total",
        "amount",
        "landed cost of the vendor's order in the vendor's currency",
        unit="currency of the vendor",
    ),
    Column(
        "purchase_value",
        "amount",
        "unit price times pieces, in the vendor's currency",
        unit="currency of the vendor",
    ),
    Column("listed_part_code", "code", "the part the designer lists"),
    Column("listed_colour_code", "code", "the colour the designer lists"),
    Column("is_listed_colour", "flag", "the colour bought is the listed one"),
    Column("is_listed_part", "flag", "the part bought is the listed one"),
    Column("estimated_unit_price", "price", "estimate for one unfilled piece", unit="currency of the buyer"),
    Column(
        "estimate_basis",
        "code",
        "where the estimate comes from",
        allowed=("last_seen", "other_condition", "summary", "none"),
    ),
    Column("what_would_help", "text", "the nearest freedom, form, vendor or condition that would fill the line"),
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
    Column("source_vendor_codes", "code_list", "vendors the plan buys the portion from"),
    Column(
        "paid_unit_price", "price", "price of a piece in the plan, on average, with the tax on goods", unit="currency of the buyer"
    ),
    Column("source_count", "integer", "vendors with one offer that fills the whole portion", unit="vendors", minimum=0),
    Column("source_in_plan_count", "integer", "those of them that the plan orders from", unit="vendors", minimum=0),
    Column("second_vendor_code", "code", "cheapest vendor that could fill the portion and does not in the plan"),
    Column("second_unit_price", "price", "that vendor's price of a piece, with the tax on goods", unit="currency of the buyer"),
    Column("is_second_in_plan", "flag", "the plan orders other things from that vendor"),
    Column(
        "instructions_cost",
        "amount",
        "price of the instructions after sale and code",
        unit="currency of the buyer",
    ),
)
