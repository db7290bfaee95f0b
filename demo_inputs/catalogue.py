"""The invented catalogue: about 420 parts in a numbering of our own, and the colours each part is made in.

A part code is a family letter and three digits (B118), except pins and axles, whose codes are five digits with leading
zeros (00501): codes are text. Weights, sizes and prices are invented; the grid is 10 mm.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from functools import cache

from .palette import BY_CODE, PLAIN, TRANSPARENT


@dataclass(frozen=True)
class Part:
    """One part. ``base_price`` is the usual price in EUR of a common colour; ``popularity`` runs from 0 to 1."""

    code: str
    name: str
    family: str
    weight_grams: float
    longest_mm: int
    base_price: float
    popularity: float
    surface: str = "plain"
    material: str = "hard"
    colours: tuple[str, ...] = field(default=())


@dataclass(frozen=True)
class _Family:
    name: str
    letter: str
    price_factor: float
    colour_reach: float  # how many of the palette's colours a popular part of the family comes in
    always: tuple[str, ...] = ()


FAMILIES = (
    _Family("bricks", "B", 1.00, 20, ("SOO", "CHA", "PEB", "ANV")),
    _Family("plates", "P", 1.00, 20, ("SOO", "CHA", "PEB", "ANV")),
    _Family("tiles", "T", 1.10, 16, ("SOO", "CHA", "PEB")),
    _Family("slopes", "S", 1.20, 13, ("SOO", "CHA", "ANV")),
    _Family("rounds", "R", 1.15, 11, ("SOO", "PEB")),
    _Family("arches", "A", 1.35, 9, ("CHA", "PEB")),
    _Family("brackets", "K", 1.30, 7, ("SOO", "PEB", "ANV")),
    _Family("frames", "F", 1.25, 10, ("SOO", "PEB", "ANV")),
    _Family("pins", "00", 0.80, 3, ("SOO", "PEB")),
    _Family("axles", "00", 0.90, 3, ("SOO", "PEB")),
    _Family("gears", "N", 1.60, 3, ("PEB", "ANV")),
    _Family("hinges", "H", 1.50, 6, ("SOO", "PEB", "ANV")),
    _Family("panes", "W", 1.60, 3, ("RWR",)),
    _Family("rails", "L", 1.30, 7, ("SOO", "CHA")),
    _Family("wheels", "Y", 1.50, 2, ("SOO", "ANV")),
    _Family("greenery", "G", 1.40, 4, ("FRN", "PNW")),
)
_FAMILY = {family.name: family for family in FAMILIES}
_RECTANGLES = [(w, n) for w in (1, 2) for n in (1, 2, 3, 4, 6, 8, 10, 12) if n >= w]


_MAKER_SEED = bytes.fromhex("636f756e746572").decode()
"""Any text would do; another one gives the maker's shop another range, and the demo other costs."""


def _steady(text: str) -> float:
    """A number in [0, 1) that depends on the text alone: the same on every machine and in every version."""
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:6], "big") / 2**48


def _shapes() -> dict[str, list[tuple[str, float, int]]]:
    """Family -> (name, weight in grams, longest edge in mm), in catalogue order."""
    shapes: dict[str, list[tuple[str, float, int]]] = {family.name: [] for family in FAMILIES}

    def add(family: str, name: str, weight: float, longest: float) -> None:
        shapes[family].append((name, round(weight, 2), int(longest)))

    for w, n in _RECTANGLES:
        add("bricks", f"brick {w} x {n}", 0.42 * w * n, 10 * n)
    for n in (4, 6, 8, 10):
        add("bricks", f"tall brick 1 x 2 x {n // 2}", 0.4 * n, 6 * n)
    for name, weight in (
        ("corner brick 2 x 2", 1.2), ("brick 1 x 1, knob on one side", 0.45), ("brick 1 x 1, knobs on two sides", 0.5),
        ("brick 1 x 1, knobs all round", 0.55), ("brick 1 x 2, knobs on one side", 0.85), ("brick 1 x 4, knobs on one side", 1.6),
        ("brick 1 x 2, grooved", 0.8), ("brick 1 x 2, log face", 0.85), ("brick 1 x 4, log face", 1.65),
        ("brick 1 x 2, masonry face", 0.85), ("brick 1 x 4, masonry face", 1.7), ("brick 2 x 2, cut corner", 1.4),
        ("brick 1 x 2, crosswise hole", 0.8), ("brick 1 x 1, lamp holder", 0.5), ("brick 2 x 2, domed", 1.3),
    ):  # fmt: skip
        add("bricks", name, weight, 20)
    for w, n in [*_RECTANGLES, *[(w, n) for w in (4, 6, 8) for n in (4, 6, 8, 10, 12, 16) if n >= w], (16, 16)]:
        add("plates", f"plate {w} x {n}", 0.15 * w * n, 10 * n)
    for name, weight in (
        ("corner plate 2 x 2", 0.45), ("corner plate 4 x 4", 1.6), ("plate 1 x 1, clip upright", 0.2), ("plate 1 x 1, clip flat", 0.2),
        ("plate 1 x 1, ring", 0.2), ("plate 1 x 2, bar on end", 0.4), ("plate 1 x 2, bar on side", 0.4), ("plate 1 x 2, one knob", 0.3),
        ("plate 2 x 2, one knob", 0.6), ("plate 2 x 2, pin below", 0.7), ("plate 1 x 2, rail", 0.4), ("plate 1 x 8, rail", 1.5),
        ("wedge plate 2 x 3, left", 0.8), ("wedge plate 2 x 3, right", 0.8), ("wedge plate 2 x 4, left", 1.0),
        ("wedge plate 2 x 4, right", 1.0), ("wedge plate 3 x 6, left", 2.3), ("wedge plate 3 x 6, right", 2.3),
        ("wedge plate 4 x 4", 1.9), ("plate 2 x 3, hull nose", 1.1), ("plate 1 x 5, toothed", 0.8), ("plate 2 x 2, turning base", 1.0),
    ):  # fmt: skip
        add("plates", name, weight, 30)
    for w, n in [
        (1, 1),
        (1, 2),
        (1, 3),
        (1, 4),
        (1, 6),
        (1, 8),
        (2, 2),
        (2, 3),
        (2, 4),
        (2, 6),
        (4, 4),
        (6, 6),
        (8, 8),
    ]:
        add("tiles", f"tile {w} x {n}", 0.14 * w * n, 10 * n)
    for name, weight in (
        ("corner tile 2 x 2", 0.4), ("tile 1 x 1, clip", 0.2), ("tile 1 x 2, grille", 0.3), ("tile 1 x 2, handle", 0.35),
        ("tile 2 x 2, one knob", 0.5), ("tile 2 x 2, quarter curve", 0.4), ("tile 1 x 1, quarter curve", 0.1), ("tile 1 x 2, triangular", 0.2),
        ("tile 2 x 3, pennant", 0.7), ("tile 1 x 1, printed with a gauge", 0.15), ("tile 1 x 2, printed with a timetable", 0.3),
        ("tile 1 x 2, printed with levers", 0.3), ("tile 2 x 2, printed with a compass card", 0.55), ("tile 2 x 2, printed with a clock", 0.55),
        ("tile 2 x 4, printed with a route board", 1.1), ("tile 1 x 4, printed with a name board", 0.55), ("tile 1 x 1, plated", 0.15),
    ):  # fmt: skip
        add("tiles", name, weight, 20)
    for angle in (25, 45, 65):
        for w, n in ((1, 1), (1, 2), (1, 3), (2, 2), (2, 3), (2, 4), (4, 2)):
            add("slopes", f"slope {angle} degrees, {w} x {n}", 0.36 * w * n, 10 * n)
    for w, n in ((1, 2), (1, 3), (2, 2), (2, 3)):
        add("slopes", f"slope, inverted, {w} x {n}", 0.38 * w * n, 10 * n)
    for w, n in ((1, 1), (1, 2), (1, 3), (1, 4), (2, 2), (2, 3), (2, 4), (2, 6)):
        add("slopes", f"bow, {w} x {n}", 0.33 * w * n, 10 * n)
    for w, n in ((1, 2), (1, 3), (1, 4), (2, 4)):
        add("slopes", f"bow, inverted, {w} x {n}", 0.34 * w * n, 10 * n)
    for name, weight in (
        ("ridge 1 x 2", 0.5), ("ridge 2 x 2", 0.9), ("ridge end 2 x 2", 0.9), ("outer corner slope 2 x 2", 1.1), ("inner corner slope 2 x 2", 1.4),
        ("roof wedge 2 x 4, left", 1.6), ("roof wedge 2 x 4, right", 1.6), ("wedge tip 1 x 1", 0.15), ("wedge tip 1 x 2", 0.3),
        ("double slope 1 x 1", 0.3), ("double slope 1 x 2", 0.6), ("louvre slope 1 x 2", 0.45),
    ):  # fmt: skip
        add("slopes", name, weight, 30)
    for name, weight, longest in (
        ("round brick 1 x 1", 0.3, 12), ("round brick 2 x 2", 1.2, 20), ("round brick 4 x 4", 4.4, 40), ("round plate 1 x 1", 0.1, 10),
        ("round plate 1 x 1, petal", 0.1, 10), ("round plate 2 x 2", 0.5, 20), ("round plate 3 x 3", 1.0, 30), ("round plate 4 x 4", 1.9, 40),
        ("round plate 6 x 6", 4.1, 60), ("round tile 1 x 1", 0.1, 10), ("round tile 2 x 2", 0.4, 20), ("round tile 2 x 2, hole", 0.4, 20),
        ("round tile 4 x 4", 1.7, 40), ("half round tile 1 x 1", 0.1, 10), ("cone 1 x 1", 0.25, 12), ("cone 2 x 2 x 2", 1.6, 24),
        ("cone 4 x 4 x 2", 5.1, 40), ("dome 2 x 2", 0.9, 20), ("dome 4 x 4", 3.8, 40), ("dome 8 x 8, segment", 7.5, 80), ("dish 2 x 2", 0.4, 20),
        ("dish 4 x 4", 1.5, 40), ("dish 6 x 6", 3.6, 60), ("barrel 2 x 2 x 2", 1.9, 24), ("tap 1 x 1", 0.2, 14), ("quarter round brick 2 x 2", 1.0, 20),
        ("cylinder half 2 x 4 x 4", 4.0, 50), ("cylinder half 3 x 6 x 6", 8.2, 80), ("ball 1 x 1", 0.3, 10), ("round brick 1 x 1, open", 0.25, 12),
    ):  # fmt: skip
        add("rounds", name, weight, longest)
    for n, high in ((2, 1), (3, 1), (4, 1), (6, 1), (8, 1), (3, 2), (4, 2), (6, 2), (8, 3), (12, 3)):
        add("arches", f"arch 1 x {n} x {high}", 0.3 * n * high, 10 * n)
    for n in (2, 3):
        add("arches", f"half arch 1 x {n} x 2", 0.5 * n, 10 * n)
    for near, far in (
        ("1 x 1", "1 x 1"),
        ("1 x 2", "1 x 2"),
        ("1 x 2", "1 x 4"),
        ("1 x 2", "2 x 2"),
        ("1 x 2", "2 x 4"),
        ("2 x 2", "2 x 2"),
    ):
        add("brackets", f"bracket {near} to {far}, up", 0.7, 20)
        add("brackets", f"bracket {near} to {far}, down", 0.7, 20)
    for n in range(2, 16):
        add("frames", f"beam {n}", 0.28 * n, 10 * n)
    for n in (2, 4, 6, 8, 12, 14, 16):
        add("frames", f"knobbed beam 1 x {n}", 0.44 * n, 10 * n)
    for a, b in ((2, 4), (3, 3), (3, 5), (4, 4), (4, 6), (3, 7)):
        add("frames", f"bent beam {a} x {b}", 0.28 * (a + b), 10 * b)
    for a, b in ((3, 5), (5, 7), (5, 11), (7, 11)):
        add("frames", f"open frame {a} x {b}", 0.42 * (a + b), 10 * b)
    for n in (2, 3, 4, 5):
        add("frames", f"thin beam {n}", 0.16 * n, 10 * n)
    for name, weight in (
        ("T beam 3 x 3", 1.2), ("cross block 1 x 2", 0.5), ("cross block 1 x 3", 0.7), ("cross block 2 x 2", 0.8), ("twin cross block", 0.9),
        ("angle block, straight", 0.5), ("angle block, right angle", 0.5), ("angle block, wide angle", 0.5), ("panel 3 x 5", 2.4), ("panel 3 x 7", 3.2),
        ("panel 3 x 11", 5.0), ("plate with holes 1 x 3", 0.5), ("plate with holes 2 x 4", 1.3), ("plate with holes 2 x 6", 1.9), ("plate with holes 2 x 8", 2.6),
    ):  # fmt: skip
        add("frames", name, weight, 40)
    for name, weight in (
        ("pin, grip", 0.18), ("pin, free", 0.18), ("long pin, grip", 0.3), ("long pin, free", 0.3), ("long pin, stop", 0.35), ("half pin", 0.1),
        ("pin with cross end, grip", 0.2), ("pin with cross end, free", 0.2), ("pin with knob", 0.2), ("pin with ball", 0.25), ("pin with cross hole", 0.4),
        ("bush", 0.15), ("half bush", 0.08), ("pin joiner", 0.3), ("cross joiner", 0.4), ("pin with bar hole", 0.2), ("short pin, grip", 0.12), ("double pin", 0.5),
        ("hose end pin", 0.2), ("ball joint pin, towing", 0.3),
    ):  # fmt: skip
        add("pins", name, weight, 20)
    for n in (2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12):
        add("axles", f"axle {n}", 0.17 * n, 10 * n)
    for n in (3, 4, 5, 8):
        add("axles", f"axle {n}, stop", 0.18 * n, 10 * n)
    for teeth in (8, 12, 16, 20, 24, 28, 36, 40):
        add("gears", f"gear, {teeth} teeth", 0.06 * teeth, teeth)
    for name, weight in (("bevel gear, 12 teeth", 0.5), ("bevel gear, 20 teeth", 1.0), ("worm", 0.9), ("crown wheel", 1.4), ("rack 1 x 4", 0.9),
                         ("pulley, small", 0.4), ("pulley, large", 1.5), ("chain link", 0.08)):  # fmt: skip
        add("gears", name, weight, 25)
    for name, weight in (
        ("hinge plate 1 x 2, one finger", 0.4), ("hinge plate 1 x 2, two fingers", 0.4), ("hinge brick 1 x 2, base", 0.6), ("hinge brick 1 x 2, top", 0.4),
        ("hinge plate 1 x 4, swivel base", 0.5), ("hinge plate 1 x 4, swivel top", 0.5), ("turntable 2 x 2", 1.2), ("turntable 4 x 4", 4.6), ("ball cup plate 1 x 2", 0.5),
        ("ball plate 1 x 2", 0.5), ("click hinge, fork", 0.5), ("click hinge, tongue", 0.5), ("click arm 1 x 6", 1.2), ("bar 3", 0.2), ("bar 4", 0.3), ("bar 6", 0.5),
        ("bar holder, clip", 0.3), ("bar with clip", 0.4),
    ):  # fmt: skip
        add("hinges", name, weight, 40)
    for w, high in ((1, 2), (1, 3), (2, 2), (2, 3), (4, 3), (4, 5)):
        add("panes", f"window surround {w} x {high}", 0.45 * w * high + 0.3, 12 * high)
        add("panes", f"glass for window {w} x {high}", 0.2 * w * high + 0.1, 12 * high)
        add("panes", f"shutter for window {w} x {high}", 0.2 * w * high + 0.2, 12 * high)
    for name, weight in (("door 1 x 4 x 6", 3.2), ("door surround 1 x 4 x 6", 2.6), ("panel 1 x 2 x 2", 0.8), ("panel 1 x 4 x 3", 2.1), ("windscreen 2 x 4 x 2", 2.4),
                         ("roof light 4 x 4", 3.6)):  # fmt: skip
        add("panes", name, weight, 50)
    for name, weight in (
        ("fence 1 x 4 x 1", 0.8), ("fence 1 x 4 x 2", 1.4), ("lattice fence 1 x 4 x 2", 1.4), ("spindle fence 1 x 6 x 2", 1.8), ("ladder 2 x 8", 1.7), ("ladder 1 x 4", 0.8),
        ("rail, straight 8", 2.8), ("rail, straight 16", 5.5), ("rail, curved", 5.2), ("buffer stop", 1.8), ("lattice girder 4", 1.4), ("lattice girder 8", 2.8),
        ("mast 4", 0.9), ("mast 8", 1.8), ("anchor", 0.6), ("chain 10", 0.7), ("hook", 0.5), ("lantern", 0.4), ("crate 3 x 4", 2.2), ("stairs 4 x 6", 8.5),
    ):  # fmt: skip
        add("rails", name, weight, 60)
    for mm in (11, 18, 24, 30, 43):
        add("wheels", f"wheel hub {mm} mm", 0.05 * mm, mm)
        add("wheels", f"soft tyre for hub {mm} mm", 0.12 * mm, mm + 8)
    for name, weight in (("flanged wheel, small", 0.8), ("flanged wheel, spoked", 1.9), ("cart wheel", 1.6), ("wheel holder 2 x 2", 0.9), ("soft belt, small", 0.2),
                         ("soft belt, large", 0.5), ("ship's wheel", 0.5), ("soft hose 8", 0.9)):  # fmt: skip
        add("wheels", name, weight, 30)
    for name, weight in (("leaf, three fingers", 0.2), ("leaf, broad", 0.6), ("leaf, large", 1.1), ("stem, three shoots", 0.3), ("flower, five petals", 0.08), ("grass tuft", 0.3),
                         ("reed, soft", 0.4), ("bush 2 x 2", 1.0), ("fir, small", 2.2), ("fir, large", 6.4), ("trunk section", 2.0), ("vine, 16 long", 0.8)):  # fmt: skip
        add("greenery", name, weight, 30)
    return shapes


OPEN_FORMS = (
    ("B901", "brick 1 x 2, form not stated", "bricks", (("B902", "brick 1 x 2, cross ribs", "equal"), ("B903", "brick 1 x 2, plain base", "weaker"))),
    ("P911", "plate 1 x 2, clip, form not stated", "plates", (("P912", "plate 1 x 2, thick clip", "stronger"), ("P913", "plate 1 x 2, thin clip", "equal"))),
    ("T921", "tile 1 x 2 with lip, form not stated", "tiles", (("T922", "tile 1 x 2, deep lip", "equal"), ("T923", "tile 1 x 2, shallow lip", "equal"))),
    ("H931", "hinge cylinder, form not stated", "hinges", (("H932", "hinge cylinder, slotted", "equal"), ("H933", "hinge cylinder, closed", "stronger"))),
    ("S941", "slope 45 degrees, 2 x 1, form not stated", "slopes", (("S942", "slope 45 degrees, 2 x 1, post below", "stronger"), ("S943", "slope 45 degrees, 2 x 1, hollow", "equal"))),
    ("K951", "side bracket 1 x 2, form not stated", "brackets", (("K952", "side bracket 1 x 2, thick", "stronger"), ("K953", "side bracket 1 x 2, thin", "weaker"))),
)  # fmt: skip
"""Codes that leave the form open, with the forms that resolve each: (code, name, strength against the open code)."""

NOWHERE = ("R160", "GLW")
"""The element no vendor ever sells: a line of the observatory stays unfilled in every plan."""
USED_ONLY = (("A121", "VDG"), ("L130", "MOS"), ("H118", "BLY"))
"""Elements sold only used."""


def _code(family: _Family, index: int) -> str:
    if family.name == "pins":
        return f"{501 + index:05d}"
    if family.name == "axles":
        return f"{701 + index:05d}"
    return f"{family.letter}{100 + 3 * index}"


def _made(family: _Family, code: str, name: str, popularity: float) -> tuple[str, ...]:
    """Colours a part is made in: more for popular parts, common colours first, with a bit of chance."""
    if "glass" in name or "roof light" in name or "windscreen" in name:
        return tuple(
            colour.code for colour in TRANSPARENT if colour.code == "RWR" or _steady(code + colour.code) < 0.45
        )
    if "plated" in name:
        return ("TIN", "BRS")
    if "soft" in name:
        return ("SOO",) if _steady(code) < 0.5 else ("SOO", "ANV")
    needed = max(len(family.always), round(family.colour_reach * (0.25 + 1.0 * popularity)))
    transparent = (
        TRANSPARENT
        if family.name in ("rounds", "tiles", "slopes") or name in ("brick 1 x 2", "plate 1 x 1", "plate 1 x 2")
        else []
    )
    metal = (
        [BY_CODE[key] for key in ("PWT", "TIN", "BRS", "CPR", "GLW")]
        if family.name in ("rounds", "tiles", "rails", "brackets")
        else []
    )
    ranked = sorted(
        (colour for colour in [*PLAIN, *transparent, *metal] if colour.code not in family.always),
        key=lambda colour: -(colour.frequency**0.35) * (0.35 + _steady(code + colour.code)),
    )
    if "printed" in name:
        return (*family.always[:1], ranked[0].code)
    return (*family.always, *(colour.code for colour in ranked[: needed - len(family.always)]))


def _price(weight: float, factor: float, code: str, name: str) -> float:
    surcharge = 2.2 if "printed" in name or "plated" in name else 1.0
    found: float = factor * surcharge * (0.014 + 0.048 * weight**0.72) * (0.75 + 0.5 * _steady("price" + code))
    return found


def _part(family: _Family, code: str, name: str, weight: float, longest: int) -> Part:
    popularity = max(0.0, min(1.0, 1.15 - 0.16 * weight**0.8 - 0.55 * _steady("liked" + code)))
    return Part(
        code,
        name,
        family.name,
        weight,
        longest,
        _price(weight, family.price_factor, code, name),
        popularity,
        "printed" if "printed" in name else "plated" if "plated" in name else "plain",
        "soft" if "soft" in name else "hard",
        _made(family, code, name, popularity),
    )


@cache
def parts() -> tuple[Part, ...]:
    """Every part, by code."""
    found = []
    for family in FAMILIES:
        for index, (name, weight, longest) in enumerate(_shapes()[family.name]):
            found.append(_part(family, _code(family, index), name, weight, longest))
    for open_code, open_name, family_name, forms in OPEN_FORMS:
        for code, name in ((open_code, open_name), *((code, name) for code, name, _ in forms)):
            found.append(_part(_FAMILY[family_name], code, name, 0.7, 20))
    return tuple(sorted(found, key=lambda part: part.code))


def maker_assortment(part: Part, colour_code: str) -> str:
    """The maker's assortment an element belongs to; '' when the maker's shop doesn't have it.

    It has common parts in common colours: frames, pins, axles and gears from its workshop, the rest from its stockroom.
    """
    common = BY_CODE[colour_code].frequency >= 2.5 and part.popularity >= 0.5 and part.surface == "plain"
    if not common or _steady(_MAKER_SEED + part.code + colour_code) > 0.72:
        return ""
    return "workshop" if part.family in ("frames", "pins", "axles", "gears", "wheels", "hinges") else "stockroom"


@cache
def by_code() -> dict[str, Part]:
    """Parts by code."""
    return {part.code: part for part in parts()}
