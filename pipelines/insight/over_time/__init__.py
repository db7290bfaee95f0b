"""What changed since an earlier date, when to buy, and which watches fired.

In: plans and markets of several dates, tables of trends. Out: cost_change, vendor_change, buying_time and its
forecasts, watch_result. Earlier orders are priced again, never planned again. May import replanning.
"""
