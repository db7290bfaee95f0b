"""What is equal, proven or too dear: tolerances on money, each a share or in units, with its reason. None is in some currency.

Where a stage ends its search is stated with the stage, as a share too.

Arrays are in units of money in which a piece costs about 1 (money.py), so the solver's own tolerances, 1e-7 of a unit, are
relative too.
"""

PROVEN_WITHIN = 1e-6
"""A plan is proven whose bound is this close, as a share of its cost: a cent of 10,000."""

WHOLE_GAP = PROVEN_WITHIN / 4
"""The whole program ends this close to its bound: near enough to prove the plan, with room for the margin of the bound."""

BOUND_MARGIN = 1e-7
"""Taken off every bound, as a share, for the solver's tolerances and the rounding of sums."""

COST_AGREES = 1e-6
"""Landed cost and program may differ by this share of the cost, or of a unit where the cost is less."""

BUDGET_MARGIN = 1e-6
"""Added to what a plan may cost before anything is left out as too dear, as a share, for rounding."""

ABOVE_BOUND = 1e-5
"""A value of a program called optimal may be above its own bound by so many units, beside the gap asked for."""

IMPROVES = 1e-9
"""A step of a search must save more than this, in units; less is rounding."""

REACHED = 1e-9
"""A bound this close to its target has reached it, as a share."""

BROKEN_CUT = 1e-5
"""Cuts that a solution breaks by more are added, in units."""

GAINS_NOTHING = 1e-5
"""An order that gains less counts as gaining nothing, in units."""

BROKEN = 20_000.0
"""An order that breaks a rule costs so many times ``ProblemArrays.scale``: far above any plan."""

SHORT = 20.0
"""A missing piece without a stand-in costs so many times the scale in a search: more than filling it, less than a broken rule."""
