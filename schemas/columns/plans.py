"""Columns of purchase plans and their variants: what is bought from whom, what it costs, what can't be bought."""

from schemas.contract import BUYERS_CURRENCY, FIRST_PRICE_DAY, LAST_PRICE_DAY, VENDORS_CURRENCY, Column

COLUMNS = (
    Column(
        "priced_on",
        "date",
        "the date whose prices, terms, rates, lists and flexible lines the plan uses",
        minimum=FIRST_PRICE_DAY,
        maximum=LAST_PRICE_DAY,
    ),
    Column("scenario_code", "code", "the set of rules under which the plan is made"),
    Column("buyer_code", "code", "the buyer: a region, currency and tax setting"),
    Column("copy_count", "integer", "copies of the model the plan buys for: copy_count of model.toml", minimum=1),
    Column("effort", "code", "how much work the planner was allowed to do", allowed=("quick", "standard", "deep")),
    Column(
        "plan_status",
        "code",
        "proven: no cheaper plan exists; bounded: at most gap_pct above the best possible; partial: something "
        "could not be bought; refused: the plan failed a check and must not be used",
        allowed=("proven", "bounded", "partial", "refused"),
    ),
    Column("goods", "amount", "goods after order discounts, without included tax", unit=BUYERS_CURRENCY),
    Column("shipping", "amount", "shipping", unit=BUYERS_CURRENCY),
    Column("handling", "amount", "handling charges and order fees", unit=BUYERS_CURRENCY),
    Column("tax", "amount", "tax, duty and clearance", unit=BUYERS_CURRENCY),
    Column("landed_cost", "amount", "goods + shipping + handling + tax", unit=BUYERS_CURRENCY),
    Column(
        "unfilled_estimate",
        "amount",
        "estimated cost of the pieces that could not be bought",
        unit=BUYERS_CURRENCY,
    ),
    Column(
        "complete_cost",
        "amount",
        "landed cost plus the estimate for what could not be bought",
        unit=BUYERS_CURRENCY,
    ),
    Column(
        "lower_bound",
        "amount",
        "no plan that buys as many pieces costs less than this",
        unit=BUYERS_CURRENCY,
    ),
    Column("gap_pct", "number", "landed cost above the lower bound, in per cent of the bound", unit="%"),
    Column(
        "vendor_count",
        "integer",
        "orders placed, each one parcel: one per vendor, or several where its terms allow that. In joint_order: vendors "
        "ordered from, and order_count has the orders",
        unit="orders",
    ),
    Column("element_count", "integer", "different elements bought (a part in a colour counts once)", unit="elements"),
    Column(
        "piece_count",
        "integer",
        "pieces needed: of the model in all its copies, or of all models of a joint order",
        unit="pieces",
    ),
    Column("bought_piece_count", "integer", "pieces bought, spares included", unit="pieces"),
    Column("used_piece_count", "integer", "pieces bought that serve a portion", unit="pieces"),
    Column("spare_piece_count", "integer", "pieces bought that serve no portion", unit="pieces"),
    Column("on_hand_piece_count", "integer", "pieces taken from stock on hand instead of bought", unit="pieces"),
    Column("unfilled_piece_count", "integer", "pieces needed that are neither bought nor on hand", unit="pieces"),
    Column(
        "unfilled_estimate_count",
        "integer",
        "unfilled pieces for which no estimate could be made",
        unit="pieces",
    ),
    Column("oldest_offer_on", "date", "date of the oldest confirmation among the offers bought"),
    Column("vendor_currency_code", "code", "the vendor's currency, ISO 4217", pattern="AAA"),
    Column("exchange_rate_used", "rate", "buyer's currency for one unit of the vendor's, margin included"),
    Column(
        "vendor_goods_value",
        "amount",
        "goods of the order as displayed: its purchase values added up, then rounded",
        unit=VENDORS_CURRENCY,
    ),
    Column("vendor_discount", "amount", "what an order discount takes off the goods value", unit=VENDORS_CURRENCY),
    Column("vendor_shipping", "amount", "shipping as the vendor displays it", unit=VENDORS_CURRENCY),
    Column("vendor_handling", "amount", "handling charges and order fees as displayed", unit=VENDORS_CURRENCY),
    Column(
        "vendor_tax", "amount", "tax that the vendor adds; 0 where displayed prices include it", unit=VENDORS_CURRENCY
    ),
    Column(
        "vendor_total",
        "amount",
        "what the vendor charges: goods value - discount + shipping + handling + tax",
        unit=VENDORS_CURRENCY,
    ),
    Column(
        "border_charges",
        "amount",
        "duty and clearance, which are part of tax; landed cost less these is vendor_total at exchange_rate_used, rounded",
        unit=BUYERS_CURRENCY,
    ),
    Column(
        "purchase_value",
        "price",
        "unit price times pieces, not rounded",
        unit=VENDORS_CURRENCY,
    ),
    Column("listed_part_code", "code", "the part the designer lists"),
    Column("listed_colour_code", "code", "the colour the designer lists"),
    Column("is_listed_colour", "flag", "the colour bought is the listed one"),
    Column("is_listed_part", "flag", "the part bought is the listed one"),
    Column("estimated_unit_price", "price", "estimate for one unfilled piece", unit=BUYERS_CURRENCY),
    Column(
        "estimate_basis",
        "code",
        "where the estimate comes from",
        allowed=("last_seen", "other_condition", "summary", "none"),
    ),
    Column(
        "remedies",
        "text",
        "the nearest flexibility, form, vendor or condition that would let the line be filled",
    ),
    Column("source_vendor_codes", "code_list", "vendors the plan buys the portion from"),
    Column(
        "paid_unit_price",
        "price",
        "price of a piece in the plan, on average, with the tax on goods",
        unit=BUYERS_CURRENCY,
    ),
    Column("source_count", "integer", "vendors with one offer that fills the whole portion", unit="vendors", minimum=0),
    Column("source_in_plan_count", "integer", "of these, vendors that the plan orders from", unit="vendors", minimum=0),
    Column(
        "second_vendor_code", "code", "cheapest vendor that could fill the portion and does not fill it in the plan"
    ),
    Column(
        "second_unit_price",
        "price",
        "price of a piece from second_vendor_code, with the tax on goods",
        unit=BUYERS_CURRENCY,
    ),
    Column("is_second_in_plan", "flag", "the plan orders other things from second_vendor_code"),
    Column("order_number", "integer", "counts the orders with one vendor, from 1", minimum=1),
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
        "complete cost of the plan made under the changed assumption, minus that of the plan made as it is, both with "
        "the same effort; empty where the two lack different numbers of pieces, or of pieces without any price",
        unit=BUYERS_CURRENCY,
    ),
    Column(
        "sensitivity_low",
        "amount",
        "lower end of where the difference of the best possible plans lies: lower bound as changed, minus cost as it is",
        unit=BUYERS_CURRENCY,
    ),
    Column(
        "sensitivity_high",
        "amount",
        "upper end of the same: cost as changed, minus lower bound as it is",
        unit=BUYERS_CURRENCY,
    ),
)
