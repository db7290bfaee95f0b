"""The purchase problem stated: as frames, as a vendor's bands, and as arrays.

In: portions, offers, uses and vendors' terms. Out: a ``Problem``; terms as bands on the goods value (bands); only what can be
part of some plan, as arrays (problem_arrays, make_arrays); which quantities are worth buying; what several orders share. May
import costing; no other room of planner.
"""
