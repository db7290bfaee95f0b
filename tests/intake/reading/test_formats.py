"""Numbers, dates and packs: only what is written in the stated way is read, and packs divide exactly."""

from collections.abc import Callable
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.intake.reading import formats


def read(expression_of: Callable[..., Any], *texts: str | None) -> list[Any]:
    return pl.DataFrame({"v": list(texts)}, schema={"v": pl.String}).select(expression_of(pl.col("v")))["v"].to_list()


def numbers(decimal: str, thousands: str, *texts: str | None) -> list[str | None]:
    return read(lambda text: formats.number(text, decimal, thousands).alias("v"), *texts)


def test_decimal_comma_with_points_between_thousands() -> None:
    good = numbers(",", ".", "0,45", "1.234,56", "1234,5", "12", "1.234", "-1.234.567,8", "+3")
    assert good == ["0.45", "1234.56", "1234.5", "12", "1234", "-1234567.8", "+3"]
    assert (
        numbers(",", ".", "1.2", "1,2,3", "12.34,5", "1234.567,8", "0.45", ",5", "5,", "1 000", "", "x", None)
        == [None] * 11
    )


def test_decimal_point_refuses_the_comma() -> None:
    assert numbers(".", "", "1.234,56", "1,5", "1 000", "1.5.5", "½", "٣", "1e3") == [None] * 7
    assert numbers(".", "", "1.234", "12") == ["1.234", "12"]
    assert numbers(".", ",", "1,234.50", "1,23") == ["1234.50", None]


@pytest.mark.parametrize(
    ("thousands", "text"), [(" ", "1 234 567.5"), (" ", "1\u00a0234\u202f567.5"), ("'", "1'234\u2019567.5")]
)
def test_blanks_and_apostrophes_between_thousands(thousands: str, text: str) -> None:
    assert numbers(".", thousands, text) == ["1234567.5"]


def dates(date_format: str, *texts: str | None) -> list[str | None]:
    return read(lambda text: formats.iso_date(text, date_format).alias("v"), *texts)


def test_dates_must_be_written_exactly_so() -> None:
    assert dates("%d.%m.%Y", "31.10.2026", "1.10.2026", "31.10.26", "2026-10-31", "30.02.2026", "31.10.2026 ", None) == [
        "2026-10-31", None, None, None, None, None, None,
    ]  # fmt: skip
    assert dates("%-d.%-m.%Y", "1.2.2026", "01.02.2026", "31.12.2026") == ["2026-02-01", None, "2026-12-31"]
    assert dates("%d %b %Y", "31 Oct 2026", "31 OCT 2026", "31 October 2026") == ["2026-10-31", "2026-10-31", None]
    assert dates("%m/%d/%y", "10/31/26", "31/10/26") == ["2026-10-31", None]
    assert dates("%Y%m%d", "20261031", "2026103") == ["2026-10-31", None]


def per_piece(price: str, size: int) -> str:
    frame = pl.DataFrame({"p": [price], "s": [size]}, schema={"p": pl.String, "s": pl.Int64})
    found: str = frame.select(formats.price_per_piece(pl.col("p"), pl.col("s"))).item()
    return found


@given(
    st.decimals(min_value=0, max_value=Decimal("999999999999.999999"), places=6),
    st.integers(1, 1_000_000),
)
def test_prices_per_piece_are_exact_and_rounded_half_up(price: Decimal, size: int) -> None:
    expected = (price / size).quantize(Decimal("0.000001"), ROUND_HALF_UP) if price else Decimal(0)
    # Decimal's own division rounds to 28 digits; none of these quotients is that near to a tie.
    assert Decimal(per_piece(f"{price:f}", size)) == expected


@pytest.mark.parametrize(
    ("price", "size", "piece"),
    [
        ("1.00", 3, "0.333333"), ("2", 3, "0.666667"), ("0.000001", 2, "0.000001"), ("0.000001", 3, "0.000000"),
        ("0.000005", 10, "0.000001"), ("4.50", 100, "0.045000"), ("1.5000000", 1, "1.500000"), ("-1", 2, None), ("x", 2, None),
        ("1.2345678", 1, None),
    ],
)  # fmt: skip
def test_pack_prices(price: str, size: int, piece: str | None) -> None:
    assert per_piece(price, size) == piece


def test_pack_sizes() -> None:
    assert read(lambda text: formats.pack_size(text).alias("v"), "1", "10.0", "1000000", "0", "1000001", "-1", "2.5", "", None) == [
        1, 10, 1_000_000, None, None, None, None, None, None,
    ]  # fmt: skip
