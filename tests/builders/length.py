"""How long randomised tests run: as many examples as fit the usual run, or many more with KITFARE_LONG_TESTS=1."""

import os

IS_LONG = os.environ.get("KITFARE_LONG_TESTS", "") not in ("", "0")


def examples(usual: int, at_length: int) -> int:
    """The number of examples (inputs, kills, markets) a test tries: `make test` takes the first, `make test-long` the second."""
    return at_length if IS_LONG else usual
