<<<<<<< HEAD
"""Tests of vendors' terms and the landed cost, in exact arithmetic."""
=======
"""Tests of the rooms costing, demand, planner and planning: what a model needs and costs, and how its purchases are planned."""
>>>>>>> bac007a22c7cf3f1bfb1977c4d1308ef383f1750
