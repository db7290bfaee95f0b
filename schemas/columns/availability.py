"""Columns about how much of a parts list the market offers."""

from schemas.contract import Column

COLUMNS = (
    Column("needed_piece_count", "integer", "pieces the parts list needs, for all copies", unit="pieces", minimum=0),
    Column(
        "buyable_piece_count",
        "integer",
        "pieces on offer that one order per vendor can buy: new, not suspect, of a stated form, from vendors that serve the buyer",
        unit="pieces",
        minimum=0,
    ),
    Column("fillable_share", "number", "share of the pieces needed that the market could fill", minimum=0, maximum=1),
    Column(
        "copies_on_offer",
        "integer",
        "whole copies of the model for which this element's pieces on offer are enough",
        minimum=0,
    ),
    Column(
        "last_seen_on",
        "date",
        "latest date on which a vendor that serves the buyer listed the element in new condition",
    ),
    Column("days_since_seen", "integer", "days from last_seen_on to the priced date", unit="days", minimum=0),
    Column("summary_on", "date", "date of the latest price summary of the element in new condition"),
    Column(
        "summary_piece_count",
        "integer",
        "pieces on offer by the latest price summary; a summary names no vendor to buy from, so no other column counts them",
        unit="pieces",
        minimum=0,
    ),
    Column(
        "piece_trend_pct",
        "number",
        "change of the pieces on offer in a month, over the last year: Theil-Sen slope in logarithms",
        unit="% a month",
    ),
    Column("piece_trend_low_pct", "number", "lower end of the trend's 90 % interval", unit="% a month"),
    Column("piece_trend_high_pct", "number", "upper end of the trend's 90 % interval", unit="% a month"),
    Column(
        "months_left",
        "number",
        "months until the pieces on offer no longer cover the need, if the trend continues; empty unless it falls",
        unit="months",
        minimum=0,
    ),
    Column("months_left_low", "number", "the same at the lower end of the trend", unit="months", minimum=0),
    Column(
        "months_left_high",
        "number",
        "the same at the upper end of the trend; empty where that does not fall",
        unit="months",
        minimum=0,
    ),
    Column(
        "is_running_out",
        "flag",
        "the pieces on offer cover the need today, certainly fall, and by the trend stop covering it within "
        "report.running_out_months",
    ),
    Column(
        "weakness_rank",
        "integer",
        "place among the model's elements, from 1 for the one that limits the model most",
        minimum=1,
    ),
    Column("basket_element_count", "integer", "different elements of the parts list", unit="elements", minimum=0),
    Column("available_element_count", "integer", "elements of which the market covers the need", minimum=0),
    Column("single_vendor_element_count", "integer", "elements that only one vendor offers", minimum=0),
    Column(
        "buildable_copy_count",
        "integer",
        "whole copies of the model that could be built exactly as listed from everything on offer: the smallest "
        "copies_on_offer of its elements",
        minimum=0,
    ),
)
