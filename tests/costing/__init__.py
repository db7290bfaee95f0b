"""Tests of the rooms costing, demand, planner and planning: what a model needs and costs, and how its purchases are planned."""
