"""What each step of a refresh does, by phase.

In comes a :class:`~pipelines.flows.steps.night.Night`, out goes the same with more filled in. The order of the steps is in
``flows.nightly.refresh``; here no step calls another one. A step does no work of its own: it hands values to the
stages (intake, warehouse, costing, insight, trends, reporting) and puts what they return in its place.
"""
