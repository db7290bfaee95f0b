"""Says that something is there, for the tests and for the type checker."""

from typing import TypeVar

Thing = TypeVar("Thing")


def present(thing: Thing | None) -> Thing:
    """The thing, which must not be None."""
    assert thing is not None
    return thing
