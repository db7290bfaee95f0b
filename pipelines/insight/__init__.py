"""What plans teach: what flexibility saves, what a change would do, what buying together saves.

In: a workspace's inputs, the market and the published plans of a date. Out: tables about plans and variants of them;
buying_tables at the door makes those about ways of buying in one go. May import every room before it; inside,
replanning < cost_parts < what_if, and flexibility, together and over_time, which need replanning at most.
"""
