"""A vendor's terms on a date, and what purchases cost under them, in exact arithmetic.

In: the workspace's dated tables of terms, a date and a buyer; purchases. Out: a ``TermsBook`` (terms, terms_on), what price
steps come to (price_steps), what a buyer pays for goods per unit of displayed price (goods_factors), penalties of orders
(order_penalties), terms of several orders with one vendor (several_orders), and the landed cost with the rules that an order
breaks (landed_cost). landed_cost imports nothing of planner, because plans are checked against it. May import schemas, money,
errors, settings, inputs, resources, workers.
"""
