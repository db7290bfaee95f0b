"""Parts lists in layouts made at random: names, order, separators, encodings, titles, totals, a column per colour."""

from __future__ import annotations

import csv
import io
import json
import random
from pathlib import Path

import xlsxwriter

from pipelines.intake.single_files.list_columns import KnownCodes
from pipelines.intake.single_files.list_table import ListTable, read_list

COLOURS = {"red": "RED", "blu": "BLU", "blue": "BLU", "dark green": "DGR", "dgr": "DGR", "white": "WHT", "wht": "WHT"}
KNOWN = KnownCodes(COLOURS)


def lines(table: ListTable) -> list[tuple[str, str, int]]:
    """The lines of a list with which nothing is wrong."""
    assert not table.problems and not table.questions, (table.problems, table.questions)
    return [(line.part_code, line.colour_code, line.quantity) for line in table.lines]


NAMES = {
    "part": ["Part", "Part no.", "Item", "Artikel", "Teilenummer", "Article", "SKU", "Code"],
    "colour": ["Colour", "Color", "Farbe", "Couleur", "Färg", "Kleur"],
    "quantity": ["Quantity", "Qty", "Menge", "Anzahl", "Antal", "Aantal", "Quantité", "Pcs"],
}


def random_list(seed: int, tmp_path: Path) -> tuple[Path, list[tuple[str, str, int]]]:
    """A file in a random layout, and its lines in the order of the file."""
    dice = random.Random(seed)
    parts = [
        f"{dice.choice('BKP')}{number}" if dice.random() < 0.5 else f"{number:05}"
        for number in dice.sample(range(100, 9999), dice.randint(4, 12))
    ]
    truth = [(part, dice.choice(["Red", "Blue", "Dark green", "White"]), dice.randint(1, 60)) for part in parts]
    is_wide, extra = dice.random() < 0.25, dice.random() < 0.5
    head = {role: dice.choice(names) for role, names in NAMES.items()}
    order = ["part", "colour", "quantity"]
    order += ["name"] * extra + ["pos"] * (dice.random() < 0.3)
    dice.shuffle(order)
    head |= {"name": dice.choice(["Name", "Description", "Bezeichnung"]), "pos": dice.choice(["Pos", "Line", "#"])}
    unit, whole = dice.choice(["", "", "x", " pcs"]), dice.choice(["", "", ".0", ",00"])
    if is_wide:
        used = list(dict.fromkeys(colour for _, colour, _ in truth))
        used += [each for each in ["Red", "Blue"] if each not in used]
        rows = [
            [head["part"], *used],
            *([part, *(str(n) if colour == each else "" for each in used)] for part, colour, n in truth),
        ]
    else:
        cell = {"part": lambda at: truth[at][0], "colour": lambda at: truth[at][1], "quantity": lambda at: f"{truth[at][2]}{unit if unit else whole}",
                "name": lambda at: f"Brick {at} wide", "pos": lambda at: str(at + 1)}  # fmt: skip
        rows = [[head[each] for each in order], *([cell[each](at) for each in order] for at in range(len(truth)))]
        if order[0] == "part" and dice.random() < 0.4:
            total = ["Total", *[""] * (len(order) - 1)]
            total[order.index("quantity")] = str(sum(n for *_, n in truth))
            rows.append(total)
    rows = [[title] for title in dice.choice([[], [], ["The mill"], ["The mill, version 2", ""]])] + rows
    kind = dice.choice(["csv", "csv", "csv", "xlsx", "jsonl"])
    path = tmp_path / f"list{seed}.{kind}"
    if kind == "xlsx":
        with xlsxwriter.Workbook(path) as book:
            page = book.add_worksheet()
            for at, row in enumerate(rows):
                page.write_row(at, 0, [int(text) if text.isdecimal() and text[0] != "0" else text for text in row])
    elif kind == "jsonl":
        table = [row for row in rows if len(row) > 1]
        path.write_text(
            "".join(json.dumps(dict(zip(table[0], row, strict=True))) + "\n" for row in table[1:]), encoding="utf-8"
        )
    else:
        text = io.StringIO()
        csv.writer(text, delimiter=dice.choice(",;\t|")).writerows(rows)
        path.write_bytes(text.getvalue().encode(dice.choice(["utf-8", "utf-8-sig", "windows-1252", "utf-16"])))
    return path, truth


def check_random_lists(seeds: range, tmp_path: Path) -> None:
    right = 0
    for seed in seeds:
        path, truth = random_list(seed, tmp_path)
        table = read_list(path, KNOWN)
        if table.questions or table.problems:
            continue
        expected = sorted((part, COLOURS[colour.lower()], n) for part, colour, n in truth)
        assert sorted(lines(table)) == expected, f"layout {seed} was read wrong without a word"
        right += 1
    assert right >= 0.95 * len(seeds), f"{right} of {len(seeds)} were read right"
