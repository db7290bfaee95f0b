"""How different two colours look: CIEDE2000 between sRGB values.

The formula is CIEDE2000 (Sharma, Wu, Dalal, Color Research & Application 30(1), 2005, 21-30), worked out by coloraide with
kL = kC = kH = 1, on CIELAB under D65, which is sRGB's own white.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache

import polars as pl
from coloraide import Color

Lab = tuple[float, float, float]

DISTANCE_SCHEMA = pl.Schema(
    {"listed_colour_code": pl.String(), "colour_code": pl.String(), "distance": pl.Float64()},
)


def ciede2000(first: Sequence[float], second: Sequence[float]) -> float:
    """The distance between two CIELAB colours (L*, a*, b*): 0 for equal ones, about 1 where a trained eye sees it."""
    return float(Color("lab-d65", list(first)).delta_e(Color("lab-d65", list(second)), method="2000"))


@cache
def lab_of(srgb_hex: str) -> Lab:
    """CIELAB (D65) of an sRGB value such as #A0B1C2."""
    lightness, a, b = Color(srgb_hex).convert("lab-d65").coords(nans=False)
    return float(lightness), float(a), float(b)


@cache
def srgb_distance(first_hex: str, second_hex: str) -> float:
    """CIEDE2000 between two sRGB values."""
    return ciede2000(lab_of(first_hex), lab_of(second_hex))


def distances(colours: pl.DataFrame, listed_codes: Iterable[str]) -> pl.DataFrame:
    """Distances from some colours to all colours.

    Args:
        colours: the table colours; those without srgb_hex are left out.
        listed_codes: colours to measure from; those not in the table are left out.

    Returns:
        DISTANCE_SCHEMA, one row per listed colour and colour of the table, itself included.
    """
    known = dict(colours.select("colour_code", "srgb_hex").drop_nulls().sort("colour_code").iter_rows())
    rows = [
        (listed, code, srgb_distance(known[listed].upper(), srgb_hex.upper()))
        for listed in sorted(set(listed_codes))
        if listed in known
        for code, srgb_hex in known.items()
    ]
    return pl.DataFrame(rows, schema=DISTANCE_SCHEMA, orient="row")
