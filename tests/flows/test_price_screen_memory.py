"""The screen of many vendors' prices of the same elements: memory grows with the offers, not with their pairs."""

from pathlib import Path

from tests.benchmarks.screen_bench import in_own_process


def test_a_market_of_many_vendors_is_screened_in_little_memory(tmp_path: Path) -> None:
    """Compared in pairs, these 160,000 offers are 128 million rows: several gibibytes."""
    in_own_process("write", tmp_path, 160_000, 800, 0)
    in_own_process("load", tmp_path)
    assert in_own_process("screen", tmp_path)["mebibytes"] < 600
