"""How long ``kitfare plan`` takes."""

import json
import time
from typing import Any

from tests.builders.plan_texts import NEEDS, OFFERS


def test_many_needs_and_offers_are_planned_quickly(plan: Any) -> None:
    """150 lines against 30,000 offers; processor time, without what the search is allowed to take beyond quick."""
    offers = [OFFERS]
    for number in range(30_000):
        vendor, part, colour = number % 60, number // 60 % 100, number // 6000
        offers.append(f"v{vendor},p{part},c{colour},new,{(number % 97 + 1) / 100},EUR,{number % 300 + 1}")
    needs = [NEEDS, *(f"{n},p{n % 100},c{n % 7},{n},{'any' if n % 2 else 'as_listed'}" for n in range(1, 151))]
    terms = ["vendor_code,shipping", *(f"v{code},{2 + code % 5}" for code in range(60))]
    began = time.process_time()
    result = plan(needs, offers, terms, "--effort", "quick", "--json")
    assert time.process_time() - began < 15
    assert json.loads(result.stdout)["status"] in ("partial", "bounded", "proven")
