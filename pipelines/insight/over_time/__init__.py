"""What changed and when to buy: parts of a change in cost, vendors' changes, timing, watches.

In: plans and markets of several dates, tables of trends. Out: cost_change, vendor_change, buying_time and its
forecasts, watch_result. Earlier orders are priced again, never planned again. May import replanning.
"""
