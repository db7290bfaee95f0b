"""What the scenario's builders decided line by line: the flexible lines, spread over two years."""

from __future__ import annotations

import random
from datetime import date, timedelta
from typing import Any

from .model_plans import Line
from .palette import BY_CODE

FLEXIBLE_LINE_COLUMNS = (
    "line_number", "portion_number", "quantity", "colour_rule", "accept_colour_codes", "refuse_colour_codes", "group_code", "near_distance",
    "accept_conditions", "is_load_bearing", "decided_on", "decided_by", "reason",
)  # fmt: skip
GROUP_SIZE = 4
"""Lines of a model that must end up in one colour."""
FLEXIBLE_SHARE = 0.30
"""Share of a model's lines that become flexible sooner or later."""
_HIDDEN_FAMILIES = ("bricks", "plates", "frames", "pins", "axles", "brackets", "slopes", "rounds", "tiles")
_DECIDERS = ("first builder", "second builder")
_FIRST, _LAST = date(2024, 10, 5), date(2026, 10, 18)
_ONE_OF = {
    "PEB": "ANV;MST", "ANV": "PEB;SOO", "SOO": "ANV;PET", "CHA": "OAT;MST", "OAT": "STW;CHA", "KLN": "RWN;CST", "RWN": "KLN;EMB",
    "CST": "PET;HZL", "PNW": "FRN;MOS", "INK": "HBR;SOO", "HRN": "THN;MST", "MOS": "PNW;LCH", "STW": "OAT;BLY", "LCH": "MST;VDG", "THN": "ANV;INK",
}  # fmt: skip
_NEAR = {
    "KLN": 14,
    "CST": 15,
    "PNW": 22,
    "STW": 12,
    "OAT": 13,
    "MST": 12,
    "PEB": 14,
    "PET": 14,
    "INK": 18,
    "SOO": 18,
    "LCH": 16,
}
_SEED = bytes.fromhex("66726565646f6d73206f6620").decode()
"""Any text would do; another one makes other lines flexible, and gives the demo other costs."""
_USED_ACCEPTED = (("L130", "MOS"), ("H118", "BLY"))


def flexible_lines_of(model_code: str, lines: list[Line]) -> list[dict[str, Any]]:
    """The rows of flexible_lines.csv: about 30 % of the lines flexible, some decided as listed, the rest undecided."""
    chance = random.Random(_SEED + model_code)
    rows: list[dict[str, Any]] = []
    hidden = _hidden(lines, chance)
    alike = _alike([line for line in lines if line.number in hidden])
    for line in lines:
        on = _decided_on(chance)
        if (line.part_code, line.colour_code) in _USED_ACCEPTED:
            rows.append(
                _row(line, "as_listed", on, chance, accept_conditions="new;used", reason="a used one will do here")
            )
        elif line.number in alike:
            more = {"group_code": alike[line.number], "is_load_bearing": "false", "reason": "shows a little: all alike"}
            rows.append(_row(line, "any_one", on, chance, **more))
        elif line.number in hidden:
            rows.extend(_flexible(line, on, chance))
        elif chance.random() < 0.3:
            rows.append(_row(line, "as_listed", on, chance, reason="in plain sight"))
        elif chance.random() < 0.06:
            rows.append(_row(line, "undecided", on, chance, reason="to be looked at in the finished model"))
    return sorted(rows, key=lambda row: (row["line_number"], row["decided_on"], row["portion_number"]))


def _hidden(lines: list[Line], chance: random.Random) -> set[int]:
    """Lines hidden inside the model: bricks, plates and frames, rather in rare colours and in larger numbers."""
    fitting = [
        line for line in lines if line.part.family in _HIDDEN_FAMILIES and BY_CODE[line.colour_code].finish == "plain"
    ]
    fitting = [
        line
        for line in fitting
        if line.part.surface == "plain" and (line.part_code, line.colour_code) not in _USED_ACCEPTED
    ]
    preference = {"bricks": 3.0, "plates": 3.0, "frames": 3.0, "pins": 1.0, "axles": 1.0, "brackets": 1.2}
    ranked = sorted(
        fitting,
        key=lambda line: (
            -preference.get(line.part.family, 0.25)
            * (0.4 + BY_CODE[line.colour_code].dearness)
            * (line.part.base_price * line.quantity) ** 0.7
            * (0.5 + chance.random())
        ),
    )
    return {line.number for line in ranked[: round(FLEXIBLE_SHARE * len(lines))]}


def _alike(hidden: list[Line]) -> dict[int, str]:
    """Line number -> group: up to GROUP_SIZE hidden lines of each of their two commonest colours.

    Lines of a group are listed in one colour, so that the designer's own choice is among those allowed.
    """
    by_colour: dict[str, list[int]] = {}
    for line in hidden:
        by_colour.setdefault(line.colour_code, []).append(line.number)
    largest = sorted(by_colour, key=lambda code: (-len(by_colour[code]), code))[:2]
    return {
        number: f"all_{BY_CODE[code].name.lower()}"
        for code in largest
        if len(by_colour[code]) >= 2
        for number in by_colour[code][:GROUP_SIZE]
    }


def _flexible(line: Line, on: date, chance: random.Random) -> list[dict[str, Any]]:
    roll = chance.random()
    bears = "true" if line.part.family in ("frames", "pins", "axles") or chance.random() < 0.4 else "false"
    kept = _row(line, "as_listed", on - timedelta(days=chance.randint(30, 200)), chance, reason="not sure yet")
    before = [kept] if chance.random() < 0.12 and kept["decided_on"] >= _FIRST.isoformat() else []
    if roll < 0.16 and line.quantity >= 4:
        seen = line.quantity // 2
        return [
            *before,
            _row(line, "as_listed", on, chance, quantity=seen, reason="the outer ones show"),
            _row(line, "any", on, chance, portion_number=2, is_load_bearing=bears, reason="the inner ones don't show"),
        ]
    if roll < 0.28 and line.colour_code in _ONE_OF:
        return [
            *before,
            _row(line, "one_of", on, chance, accept_colour_codes=_ONE_OF[line.colour_code], is_load_bearing=bears),
        ]
    if roll < 0.40 and line.colour_code in _NEAR:
        return [
            *before,
            _row(
                line,
                "near",
                on,
                chance,
                near_distance=_NEAR[line.colour_code],
                is_load_bearing=bears,
                reason="in the shade",
            ),
        ]
    refused = chance.choice(("", "", "", "PTL;RSH", "EMB"))
    conditions = "new;used" if chance.random() < 0.15 else "new"
    return [
        *before,
        _row(
            line,
            "any",
            on,
            chance,
            refuse_colour_codes=refused,
            accept_conditions=conditions,
            is_load_bearing=bears,
            reason="hidden inside",
        ),
    ]


def _decided_on(chance: random.Random) -> date:
    """Two decisions in three fall in the first half year, the others spread over the rest."""
    span = (_LAST - _FIRST).days
    return _FIRST + timedelta(days=int(span * (0.25 * chance.random() if chance.random() < 0.66 else chance.random())))


def _row(line: Line, rule: str, on: date, chance: random.Random, **more: object) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(FLEXIBLE_LINE_COLUMNS, "")
    row |= {
        "line_number": line.number, "portion_number": 1, "colour_rule": rule, "accept_conditions": "new", "is_load_bearing": "true",
        "decided_on": on.isoformat(), "decided_by": chance.choice(_DECIDERS),
    }  # fmt: skip
    return row | more
