"""Published plans read back, changed and planned again; the other rooms of insight build on it.

In: published plans of a date, a buyer's market, changed assumptions. Out: orders as pieces by offer; plans with a change
made or priced exactly; complete costs; fair shares. May import every room before insight; no other room of insight. Inside:
offers, placed_orders, published_plans and changed_assumptions are the nouns; plan_changes changes one plan without planning;
shared_market plans anew, for one model or several.
"""
