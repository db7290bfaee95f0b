"""Every attack, in the order of the table."""

from __future__ import annotations

from tests.attacks import kills
from tests.attacks.results import Attack
from tests.attacks.work import Part

ATTACKS: dict[Attack, Part] = {
    kills.PLAIN: kills.plain,
    kills.PREFECT: kills.with_prefect,
    kills.READ: kills.with_readers,
}
