import csv
from pathlib import Path

import pytest

from pipelines.demand.colour_distance import DISTANCE_SCHEMA, ciede2000, distances, srgb_distance
from schemas.inputs.catalogue import COLOURS as COLOURS_CONTRACT
from tests.builders.markets import COLOURS, table

# Sharma, Wu, Dalal (2005), Color Research & Application 30(1), 21-30, Table 1: 34 pairs, distances to four decimals.
PAIRS_FILE = Path(__file__).parent.parent / "published" / "ciede2000_pairs.csv"


def published_pairs() -> list[list[float]]:
    with PAIRS_FILE.open() as file:
        rows = list(csv.DictReader(row for row in file if not row.startswith("#")))
    assert len(rows) == 34
    return [[float(value) for value in row.values()] for row in rows]


@pytest.mark.parametrize("l1,a1,b1,l2,a2,b2,expected", published_pairs())
def test_the_published_pairs(l1: float, a1: float, b1: float, l2: float, a2: float, b2: float, expected: float) -> None:
    assert ciede2000((l1, a1, b1), (l2, a2, b2)) == pytest.approx(expected, abs=0.00005)
    assert ciede2000((l2, a2, b2), (l1, a1, b1)) == pytest.approx(expected, abs=0.00005)


def test_srgb_black_to_white_is_a_hundred() -> None:
    """White and black are L* 100 and 0; with a mean L* of 50 the lightness weight is 1, so the distance is 100."""
    assert srgb_distance("#000000", "#FFFFFF") == pytest.approx(100, abs=0.001)
    assert srgb_distance("#A0B1C2", "#A0B1C2") == 0


def test_distances_from_listed_colours_to_all() -> None:
    colours = table(COLOURS_CONTRACT, COLOURS)
    found = distances(colours, ["red", "red", "nowhere"])
    assert found.schema == DISTANCE_SCHEMA
    assert found.height == colours.height
    by_code = {code: distance for _, code, distance in found.iter_rows()}
    assert by_code["red"] == 0 == by_code["clear_red"]
    assert 0 < by_code["brick"] < 5 < by_code["blue"]
