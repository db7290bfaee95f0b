"""The purchase problem stated: as frames, as a vendor's bands, and as arrays.

In: portions, offers, uses and vendors' terms. Out: a ``Problem``; terms compiled to bands on the goods value (bands);
only what can be part of some plan, as arrays (compiled); which quantities can be bought, and what several orders
share. May import costing; no other room of planner.
"""
