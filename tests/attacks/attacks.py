"""Every attack, in the order of the table."""

from __future__ import annotations

from tests.attacks import exports, faults, kills
from tests.attacks.results import Attack
from tests.attacks.work import Part

ATTACKS: dict[Attack, Part] = {
    kills.PLAIN: kills.plain,
    kills.PREFECT: kills.with_prefect,
    kills.READ: kills.with_readers,
    kills.DEMO: kills.at_demo_size,
    faults.DISKS: faults.full_disk,
    faults.DAMAGE: faults.damage,
    exports.HOSTILE: exports.hostile_files,
    exports.WRONG: exports.wrong_exports,
}
