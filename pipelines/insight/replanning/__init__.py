"""Published plans read back, changed and planned again; the other rooms of insight build on it.

In: published plans of a date, a buyer's market, changes to its assumptions. Out: orders as pieces by offer, plans
with a change made or priced exactly, complete costs, fair shares. May import every room before insight; no other room
of insight.
"""
