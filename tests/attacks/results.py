"""What attacks found, kept in parts as lines of JSON, and the table made of them."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from pipelines.resources import software_digest

COLUMNS = ("promise", "attack", "count", "outcome", "seed", "date", "command")
MARKERS = ("<!-- made by make attack -->", "<!-- end of what make attack made -->")
"""In docs/reliability.md; the table stands between them."""


@dataclass(frozen=True)
class Attack:
    """One row of the table.

    Args:
        name: of the attack, and of its file of results.
        promise: what must be true, as readers see it.
        what: how it is attacked.
        unit: what is counted.
        option: the variable of `make attack` that sets the count.
        usual: the count that the table is for.
        is_alone: whether its parts run one at a time, because they call commands within this process.
    """

    name: str
    promise: str
    what: str
    unit: str
    option: str
    usual: int
    is_alone: bool = False


@dataclass(frozen=True)
class Result:
    """One part of an attack: its number, how often it attacked, and each broken promise in words.

    Args:
        number: of the part; with the seed it decides all that is drawn.
        count: attacks that took place.
        figures: other counts, shown in the table.
        broken: what was not as promised.
        not_run: why it could not run, if it could not.
    """

    number: int
    count: int = 0
    figures: dict[str, int] = field(default_factory=dict)
    broken: list[str] = field(default_factory=list)
    not_run: str = ""
    seed: int = 0
    software: str = ""
    at: str = ""


class Results:
    """The results of one attack with one seed, in a file that only grows."""

    def __init__(self, folder: Path, attack: Attack, seed: int) -> None:
        self.attack, self.seed = attack, seed
        self.path = folder / f"{attack.name}.jsonl"
        lines = self.path.read_text(encoding="utf-8").splitlines() if self.path.is_file() else []
        every = [Result(**json.loads(line)) for line in lines]
        self.found = [result for result in every if result.seed == seed]

    @property
    def count(self) -> int:
        """Attacks so far."""
        return sum(result.count for result in self.found)

    @property
    def done(self) -> set[int]:
        """Numbers of the parts that ran."""
        return {result.number for result in self.found if not result.not_run}

    def add(self, result: Result) -> None:
        """Keep a result, with the software it is of."""
        stamped = Result(
            **{
                **asdict(result),
                "seed": self.seed,
                "software": software_digest()[:8],
                "at": datetime.now(UTC).isoformat(timespec="seconds"),
            }
        )
        self.found.append(stamped)
        self.path.parent.mkdir(parents=True, exist_ok=True)
        with self.path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(stamped)) + "\n")

    def row(self) -> tuple[str, ...]:
        """Its row of the table."""
        attack = self.attack
        dates = sorted({result.at[:10] for result in self.found if result.at})
        command = f"`make attack ONLY={attack.name} {attack.option}={attack.usual} SEED={self.seed}`"
        count = f"{self.count} of {attack.usual} {attack.unit}"
        return (
            attack.promise, attack.what, count, self._outcome(), str(self.seed), " to ".join(dates[:1] + dates[1:][-1:]), command,
        )  # fmt: skip

    def _outcome(self) -> str:
        ran = [result for result in self.found if not result.not_run]
        refused = {result.not_run for result in self.found if result.not_run}
        if not ran:
            return "could not run: " + "; ".join(sorted(refused)) if refused else "not run"
        broken = [words for result in ran for words in result.broken]
        figures: Counter[str] = Counter()
        for result in ran:
            figures.update(result.figures)
        parts = [f"broken {len(broken)} times, first: {broken[0]}" if broken else "nothing broken"]
        parts += [f"{count} {name}" for name, count in sorted(figures.items())]
        parts.append("software " + ", ".join(sorted({result.software for result in ran})))
        return "; ".join(parts)


def table(rows: Iterable[Sequence[str]]) -> str:
    """The rows as Markdown."""
    lines = [_line(COLUMNS), _line(["---"] * len(COLUMNS)), *map(_line, rows)]
    return "\n".join(lines) + "\n"


def _line(cells: Sequence[str]) -> str:
    return "| " + " | ".join(re.sub(r"\s+", " ", cell).replace("|", "\\|")[:600] for cell in cells) + " |"


def put_into(page: Path, made: str) -> None:
    """Replace what stands between the markers of a page."""
    text = page.read_text(encoding="utf-8")
    before, _, rest = text.partition(MARKERS[0])
    _, end, after = rest.partition(MARKERS[1])
    assert end, f"{page} lacks the markers"
    page.write_text(f"{before}{MARKERS[0]}\n\n{made}\n{MARKERS[1]}{after}", encoding="utf-8")
