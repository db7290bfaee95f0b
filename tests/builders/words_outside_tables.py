"""How many words a reader of a page sees outside of tables and drawings, for each buyer of its switch."""

from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from tests.builders.html_pages import VOID


class _Counted(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[tuple[str, int | None]] = []
        self.counts: dict[int | None, int] = {}

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        classes = (dict(attrs).get("class") or "").split()
        buyer = next((int(name.removeprefix("buyer-")) for name in classes if name.startswith("buyer-")), None)
        if tag not in VOID:
            self.open.append((tag, buyer))

    def handle_endtag(self, tag: str) -> None:
        if self.open and self.open[-1][0] == tag:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        tags = {tag for tag, _ in self.open}
        if "main" in tags and not tags & {"table", "svg", "script", "style"}:
            buyer = next((buyer for _, buyer in self.open if buyer is not None), None)
            self.counts[buyer] = self.counts.get(buyer, 0) + sum(any(map(str.isalnum, word)) for word in data.split())


def words_outside_tables(path: Path) -> dict[int, int]:
    """By the number of a buyer: its own words and those that all buyers share."""
    counted = _Counted()
    counted.feed(path.read_text(encoding="utf-8"))
    common = counted.counts.get(None, 0)
    return {buyer: common + words for buyer, words in counted.counts.items() if buyer is not None}
