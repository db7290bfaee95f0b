"""Two hundred random layouts: at least 95 % are read right, the others say what is unsure, none is wrong without a word."""

from pathlib import Path

from tests.builders.random_lists import check_random_lists


def test_two_hundred_random_layouts(tmp_path: Path) -> None:
    check_random_lists(range(1000, 1200), tmp_path)
