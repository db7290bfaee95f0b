"""The invented palette: names, sRGB values and families of our own, and how common and how dear each colour is."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Colour:
    """One colour. ``frequency``: how often parts are made in it; ``dearness``: what it adds to log prices."""

    code: str
    name: str
    srgb_hex: str
    family: str
    finish: str
    frequency: float
    dearness: float


def _colours(finish: str, text: str) -> list[Colour]:
    found = []
    for line in text.strip().splitlines():
        code, name, srgb, family, frequency, dearness = (cell.strip() for cell in line.split("|"))
        found.append(Colour(code, name, srgb, family, finish, float(frequency), float(dearness)))
    return found


PLAIN = _colours(
    "plain",
    """
    SOO | Soot          | #17191B | blacks  | 10.0 | -0.12
    CHA | Chalk         | #F1F0EA | whites  |  9.0 | -0.08
    PEB | Pebble        | #A4A8A6 | greys   |  9.0 | -0.12
    ANV | Anvil         | #5C6265 | greys   |  9.0 | -0.10
    MST | Mist          | #C9CFD2 | greys   |  3.0 |  0.32
    OAT | Oatmeal       | #DCCFB0 | sands   |  6.0 |  0.06
    STW | Strawbale     | #D4B872 | sands   |  2.5 |  0.36
    RWN | Rowan         | #B3202A | reds    |  7.0 | -0.05
    KLN | Kiln          | #7E2B22 | reds    |  3.0 |  0.36
    RSH | Rosehip       | #E2766B | reds    |  0.9 |  0.75
    PTL | Petal         | #EBB4C3 | pinks   |  1.2 |  0.55
    FOX | Fox           | #B85A1E | oranges |  1.8 |  0.48
    EMB | Ember         | #E8741C | oranges |  2.5 |  0.25
    APC | Apricot       | #F2A65A | oranges |  0.9 |  0.70
    GRS | Gorse         | #F3C515 | yellows |  5.0 |  0.00
    PRM | Primrose      | #F6E48B | yellows |  1.4 |  0.45
    BLY | Barley        | #D79B22 | yellows |  1.6 |  0.38
    SHO | Pea shoot     | #9CC23C | greens  |  2.2 |  0.28
    FRN | Fern          | #3F8A3A | greens  |  4.0 |  0.05
    PNW | Pinewood      | #1F4D33 | greens  |  3.0 |  0.26
    MOS | Moss          | #6B7239 | greens  |  1.6 |  0.42
    LCH | Lichen        | #9DB59A | greens  |  1.4 |  0.50
    LAG | Lagoon        | #1793A0 | teals   |  1.3 |  0.48
    VDG | Verdigris     | #5FA49A | teals   |  0.8 |  0.85
    HRN | Heron         | #8DB6D4 | blues   |  2.0 |  0.36
    HBR | Harbour       | #2B6CB0 | blues   |  5.0 |  0.00
    INK | Ink           | #1C2F5C | blues   |  3.0 |  0.24
    THN | Thunder       | #5A7392 | blues   |  1.2 |  0.55
    HTH | Heather       | #9A77B5 | purples |  1.0 |  0.65
    DMS | Damson        | #53295A | purples |  0.8 |  0.80
    PET | Peat          | #45301F | browns  |  3.0 |  0.24
    CST | Chestnut      | #70401F | browns  |  5.0 |  0.08
    HZL | Hazel         | #A9764A | browns  |  2.0 |  0.36
    """,
)
TRANSPARENT = _colours(
    "transparent",
    """
    RWR | Rainwater     | #EAF3F5 | clears  |  6.0 |  0.05
    LMP | Lamplight     | #F4B13E | clears  |  2.0 |  0.20
    CHY | Cherry glass  | #C8102E | clears  |  2.0 |  0.22
    SEA | Sea glass     | #7CC7B5 | clears  |  1.2 |  0.40
    SMK | Smoke glass   | #6A6259 | clears  |  2.0 |  0.20
    """,
)
METALLIC = _colours(
    "metallic",
    """
    TIN | Tin leaf      | #B9BDC0 | metals  |  1.6 |  0.45
    BRS | Brass leaf    | #C79A3B | metals  |  1.2 |  0.60
    """,
)
PEARL = _colours(
    "pearl",
    """
    PWT | Pewter pearl  | #7B7F86 | metals  |  2.4 |  0.25
    CPR | Copper pearl  | #A65A3A | metals  |  0.9 |  0.70
    """,
)
GLOW = _colours("glow", "    GLW | Glow-worm     | #D8E8B0 | greens  |  0.3 |  1.10")

COLOURS = [*PLAIN, *TRANSPARENT, *METALLIC, *PEARL, *GLOW]
BY_CODE = {colour.code: colour for colour in COLOURS}
