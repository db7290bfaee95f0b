"""Good plans: which vendors to order from, then which pieces.

In: a problem's arrays and sets of vendors to start from. Out: better sets with about what they cost (vendor_sets, and
market_sets for hundreds of vendors), and plans in whole pieces that keep every rule (repair). May import statement, reduction,
program and plans; not bounds.
"""
