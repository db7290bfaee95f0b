"""The six invented models: what each is like, and the seeded maker of their parts lists."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass, field

from .catalogue import NOWHERE, OPEN_FORMS, USED_ONLY, Part, by_code, parts
from .palette import BY_CODE


@dataclass(frozen=True)
class ModelPlan:
    """What a model's parts list should be like. Weights are relative; ``sections`` are shares of the lines."""

    code: str
    title: str
    designer: str
    line_count: int
    piece_count: int
    colours: Mapping[str, float]
    families: Mapping[str, float]
    sections: dict[str, float] = field(default_factory=dict)
    fixed_lines: tuple[tuple[str, str, int], ...] = ()


@dataclass(frozen=True)
class Line:
    """One line of a parts list."""

    number: int
    part_code: str
    colour_code: str
    quantity: int
    section: str

    @property
    def part(self) -> Part:
        """The part of the catalogue."""
        return by_code()[self.part_code]


_HULL = {
    "bricks": 4,
    "plates": 7,
    "tiles": 4,
    "slopes": 6,
    "rounds": 3,
    "rails": 3,
    "panes": 1,
    "brackets": 2,
    "hinges": 2,
    "frames": 1,
}
_HOUSE = {
    "bricks": 8,
    "plates": 9,
    "tiles": 6,
    "slopes": 5,
    "rounds": 4,
    "arches": 3,
    "panes": 4,
    "rails": 3,
    "brackets": 3,
    "hinges": 2,
    "frames": 2,
    "greenery": 1,
}
_MACHINE = {
    "frames": 9,
    "pins": 5,
    "axles": 4,
    "gears": 3,
    "plates": 6,
    "bricks": 4,
    "tiles": 3,
    "slopes": 3,
    "rounds": 4,
    "hinges": 3,
    "rails": 3,
    "wheels": 2,
    "brackets": 2,
}

PLANS = (
    ModelPlan(
        "post_boat", "Post Boat to the Outer Skerries", "Bench Nine", 24, 168,
        {"RWN": 5, "CHA": 5, "SOO": 3, "ANV": 3, "GRS": 1, "LAG": 1.5, "RWR": 1},
        _HULL,
    ),
    ModelPlan(
        "greenhouse", "Greenhouse Behind the Mill", "Bench Nine", 48, 410,
        {"CHA": 6, "PEB": 4, "CST": 3, "LCH": 3, "FRN": 3, "PNW": 2, "OAT": 3, "RWR": 3, "KLN": 2, "PET": 2, "VDG": 0.6},
        {**_HOUSE, "greenery": 5, "panes": 6, "frames": 0.5},
        fixed_lines=(("A121", "VDG", 4),),
    ),
    ModelPlan(
        "harbour_tug", "Harbour Tug Marrowby", "Loft Under the Stairs", 80, 760,
        {"SOO": 6, "CHA": 4, "RWN": 5, "ANV": 4, "PEB": 3, "CST": 3, "BLY": 1.5, "INK": 3, "RWR": 1, "PWT": 0.7, "THN": 1.2},
        {**_HULL, "frames": 3, "pins": 2},
        {"deck_crane": 0.1},
    ),
    ModelPlan(
        "steam_crane", "Steam Crane on the Slate Quay", "Loft Under the Stairs", 120, 1240,
        {"SOO": 7, "ANV": 5, "PEB": 4, "PNW": 4, "CST": 2, "MOS": 1.5, "GRS": 2, "RWN": 1.5, "CPR": 0.5, "BRS": 0.4, "RWR": 0.5},
        _MACHINE,
        {"coal_wagon": 0.14},
        fixed_lines=(("L130", "MOS", 6),),
    ),
    ModelPlan(
        "observatory", "Observatory on Heron Hill", "The Tin Lantern", 180, 2060,
        {"CHA": 6, "OAT": 5, "PEB": 4, "ANV": 4, "HRN": 3, "INK": 3, "SOO": 3, "STW": 2, "THN": 1.5, "DMS": 0.8, "BRS": 0.7, "FRN": 1.5, "RWR": 1.5, "SMK": 0.5, "HZL": 1},
        {**_HOUSE, "rounds": 7, "frames": 4, "pins": 2, "axles": 1, "gears": 1},
        {"telescope": 0.1, "dome_drive": 0.08, "garden": 0.06},
        fixed_lines=((*NOWHERE, 3), ("H118", "BLY", 2)),
    ),
    ModelPlan(
        "tram_depot", "Tram Depot at Alderlow", "The Tin Lantern", 255, 3100,
        {"KLN": 7, "PEB": 5, "ANV": 5, "SOO": 5, "CHA": 5, "OAT": 3, "PNW": 3, "CST": 3, "STW": 2, "GRS": 2, "RWN": 1.5, "MST": 2, "FOX": 1.2, "LCH": 1, "VDG": 0.5, "RWR": 1.5,
         "LMP": 0.5, "PWT": 0.7, "PET": 1},
        {**_HOUSE, "rails": 5, "frames": 4, "pins": 2, "wheels": 1, "axles": 0.7},
        {"tram": 0.16, "lighting": 0.05, "street": 0.08},
    ),
)  # fmt: skip
"""Smallest first. Fixed lines hold elements that are sold only used, or nowhere."""

_IN_MANY_COLOURS = ("bricks", "plates", "tiles", "slopes", "rounds", "arches", "brackets", "rails")
_SOLID = ("SOO", "PEB", "ANV", "RWR", "CHY", "LMP", "FRN", "PNW")
_FORMS = {code for _, _, _, forms in OPEN_FORMS for code, _, _ in forms}


def lines_of(plan: ModelPlan) -> list[Line]:
    """The parts list of a plan (its first version): the same on every call."""
    chance = random.Random(f"lines of {plan.code}")
    chosen: dict[tuple[str, str], float] = {}
    families = list(plan.families)
    members = {
        family: [part for part in parts() if part.family == family and part.code not in _FORMS] for family in families
    }
    while len(chosen) < plan.line_count - len(plan.fixed_lines):
        family = chance.choices(families, [plan.families[name] for name in families])[0]
        part = chance.choices(members[family], [0.08 + one.popularity**1.5 for one in members[family]])[0]
        colour = _colour(plan, part, chance)
        if colour and (part.code, colour) not in (NOWHERE, *USED_ONLY):
            bulk = chance.lognormvariate(0, 0.95) * part.popularity / math.sqrt(max(part.weight_grams, 0.15))
            bulk *= 1.0 if part.surface == "plain" else 0.1
            chosen.setdefault((part.code, colour), bulk)
    quantities = _spread(chosen, plan.piece_count - sum(count for *_, count in plan.fixed_lines))
    rows = [(part, colour, quantities[part, colour]) for part, colour in chosen] + list(plan.fixed_lines)
    rows.sort(key=lambda row: (by_code()[row[0]].family, row[0], row[1]))
    sections = _sections(plan, chance)
    return [Line(n, part, colour, count, sections[n - 1]) for n, (part, colour, count) in enumerate(rows, 1)]


def _colour(plan: ModelPlan, part: Part, chance: random.Random) -> str:
    """A colour of the plan, mostly one the part usually comes in; for small hardware and glass any of its own; else ''."""
    known = [code for code in part.colours if code in plan.colours]
    if part.family in _IN_MANY_COLOURS and part.surface == "plain" and chance.random() < 0.3:
        known = [
            code for code in plan.colours if BY_CODE[code].finish == "plain"
        ]  # made in few numbers, for this shade
    if not known:
        known = [code for code in part.colours if code in _SOLID] if len(part.colours) <= 4 else []
    return chance.choices(known, [plan.colours.get(code, 1.0) for code in known])[0] if known else ""


def _spread(bulk: dict[tuple[str, str], float], total: int) -> dict[tuple[str, str], int]:
    """Whole quantities of at least 1, in proportion to the bulk, that add up to the total."""
    scale = total / sum(bulk.values())
    counts = {key: max(1, round(value * scale)) for key, value in bulk.items()}
    largest = sorted(counts, key=lambda key: (-counts[key], key))
    index = 0
    while (left := total - sum(counts.values())) != 0:
        key = largest[index % len(largest)]
        if counts[key] + (1 if left > 0 else -1) >= 1:
            counts[key] += 1 if left > 0 else -1
        index += 1
    return counts


def _sections(plan: ModelPlan, chance: random.Random) -> list[str]:
    """Which lines belong to an optional section; the fixed lines may fall anywhere."""
    names = [""] * plan.line_count
    free = list(range(plan.line_count))
    chance.shuffle(free)
    for section, share in plan.sections.items():
        for _ in range(round(share * plan.line_count)):
            names[free.pop()] = section
    return names
