"""A vendor's terms on a date, and what purchases cost under them, in exact arithmetic.

In: the workspace's dated tables of terms, a date and a buyer; purchases. Out: a ``TermsBook``, what price steps come to,
penalties of orders, terms of several orders, and the landed cost with the rules that an order breaks. landed_cost imports
nothing of planner, because plans are checked against it. May import schemas, money, errors, settings, inputs, resources, workers.
"""
