"""What each step of a refresh does, by phase.

In: a :class:`~pipelines.flows.steps.night.Night`. Out: the same with more filled in. The order of the steps is in
``flows.refresh``; no step calls another one. A step does no work of its own: it hands values to the other rooms and
puts what they return in its place.
"""
