"""One word for one thing: words that were replaced are in no tracked file and in no file's name."""

import re
import subprocess
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[1]
EXEMPT = {"tests/test_words.py", "LICENSE", "requirements.lock"}
"""This list, the file that names what was renamed, and texts of others."""


@dataclass(frozen=True)
class OldWord:
    """A word that was replaced: a pattern, what to write instead, and what a line may contain that looks like it."""

    pattern: str
    instead: str
    allowed: str = ""

    def found_in(self, line: str) -> list[str]:
        """Every place of the word in a line, in plain text and in names such as oldWord, OLD_WORD and old_word."""
        parts = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", re.sub(self.allowed, " ", line) if self.allowed else line)
        return re.findall(rf"(?<![A-Za-z])(?:{self.pattern})(?![A-Za-z])", parts, re.IGNORECASE)


OLD_WORDS = (
    OldWord("freedoms?", "flexibility, flexible lines"),
    OldWord("freed", "flexible"),
    OldWord(r"(?:un)?judg\w*", "decide, decision, undecided; compare, check"),
    OldWord(
        "counters?",
        "the maker's shop, maker",
        allowed=r"perf_counter|import [\w, ]*\bCounter\b|\bCounter(?=[(\[.])|[:>] Counter\b|defaultdict\(Counter\)|default_factory=Counter",
    ),
    OldWord(r"interchang\w*", "substitute"),
    OldWord("make[-_]ups?|make ups", "combination"),
    OldWord("stand[-_]in[-_](?:part|kind)", "substitute"),
    OldWord("held", "quarantined; compared with; kept, valid"),
    OldWord("(?:un)?mend(?:s|ed|ing)?", "correct, correction"),
    OldWord("spells?", "price period"),
    OldWord("receipts?", "landed cost"),
    OldWord(r"bother\w*", "parcel penalty"),
    OldWord("preference[-_ ]worth", "preference value"),
    OldWord("swings?", "sensitivity"),
    OldWord("sturd(?:y|ier|iest|iness)", "robust"),
    OldWord(r"reckon\w*", "calculate, estimate"),
    OldWord("told", "stated, shown, reported, distinguished"),
    OldWord("tells?|telling", "state, show, report, distinguish"),
    OldWord("lends?|lent|lending", "give"),
    OldWord("would[-_]help", "remedies"),
    OldWord(r"evidence[-_ ]pages?|evidence\.html", "details page"),
    OldWord("wanted", "needed", allowed="^WantedBy="),
    OldWord("is up", "runs", allowed="is up to"),
    OldWord(
        "weigh(?:s|ed|ing)?",
        "compare, assess; an index is weighted",
        allowed=r"weigh(?:s|ed|ing)?(?= \d+ g\b)|(?<=each part )weighs",
    ),
    OldWord("""["'`]best["'`]""", "`cheapest`, where the scenario is meant; cheapest, chosen, lowest elsewhere"),
)


@cache
def tracked_files() -> tuple[str, ...]:
    """Paths of all tracked files but the exempt ones, from the root."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a checkout: nothing is tracked")
    present = [path for path in listed.stdout.split("\0") if path and (ROOT / path).is_file()]
    return tuple(path for path in present if path not in EXEMPT)


@cache
def lines_of(path: str) -> tuple[str, ...]:
    """The lines of a text file; none of a file that is not text."""
    try:
        return tuple((ROOT / path).read_text(encoding="utf-8").splitlines())
    except UnicodeDecodeError:
        return ()


@pytest.mark.parametrize("word", OLD_WORDS, ids=lambda word: word.pattern)
def test_an_old_word_is_in_no_file(word: Any) -> None:
    found = [
        f"{path}:{number}: {place!r}"
        for path in tracked_files()
        for number, line in enumerate(lines_of(path), 1)
        for place in word.found_in(line)
    ]
    assert not found, f"write instead: {word.instead}\n" + "\n".join(found)


@pytest.mark.parametrize("word", OLD_WORDS, ids=lambda word: word.pattern)
def test_an_old_word_is_in_no_files_name(word: Any) -> None:
    found = [path for path in tracked_files() if word.found_in(path)]
    assert not found, f"write instead: {word.instead}\n" + "\n".join(found)


def test_the_files_read_are_those_of_the_project() -> None:
    assert {"README.md", "pipelines/money.py", "demo_inputs/workspace/kitfare.toml"} <= set(tracked_files())
    assert sum(1 for path in tracked_files() if lines_of(path)) > 500


@pytest.mark.parametrize(
    ("line", "count"),
    [
        ("a freedom, FREEDOMS and freedom_cost", 3),
        ("UnjudgedLine(judged_on)", 2),
        ("from collections import Counter, deque", 0),
        ("pieces: Counter[str] = Counter()", 0),
        ("began = time.perf_counter()", 0),
        ("Counter first, the rest at the counter", 2),
        ("amendments recommend commenders", 0),
        ("mended, un-mended and mend_rows", 3),
        ("held_row upheld withheld", 1),
        ("goods and tax make up the cost", 0),
        ("make_ups.csv has make-ups", 2),
        ("stand_in_part_code stands in for a listed part", 1),
        ("ten pieces weigh 300 g", 0),
        ("it weighs suspects", 1),
        ("the sheet is up to date", 0),
        ("the server is up", 1),
        ("scenario `best` is the best", 1),
        ("sheets/hut-evidence.html", 1),
    ],
)
def test_old_words_are_found_and_words_like_them_are_not(line: Any, count: Any) -> None:
    assert sum(len(word.found_in(line)) for word in OLD_WORDS) == count
