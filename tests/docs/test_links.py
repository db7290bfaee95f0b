"""Every link of the README and the guides leads somewhere, and every guide can be found."""

import re
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PICTURE = "reports/sample/tram_depot.png"


def without_code(text: str) -> str:
    return re.sub(r"```.*?```", "", text, flags=re.S)


def anchors(path: Path) -> set[str]:
    """The anchors of a Markdown file's headings, made as code hosts make them."""
    headings = re.findall(r"^#+ (.+)$", without_code(path.read_text(encoding="utf-8")), re.M)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def links(guides: dict[str, str]) -> Iterator[tuple[str, str, Path, str]]:
    """Each link in the guides: the guide, the target as written, the file it leads to, and the anchor in it."""
    for name, text in guides.items():
        for target in re.findall(r"\]\(([^)]+)\)", without_code(text)):
            if not target.startswith("http"):
                file, _, anchor = target.partition("#")
                yield name, target, ((ROOT / name).parent / file).resolve() if file else ROOT / name, anchor


def test_links_lead_somewhere(guides: dict[str, str]) -> None:
    found = list(links(guides))
    assert len(found) > 100
    for name, target, path, anchor in found:
        assert path.is_file(), f"{name}: {target}"
        assert not anchor or anchor in anchors(path), f"{name}: {target}"


def test_the_contents_and_the_readme_lead_to_every_guide(guides: dict[str, str]) -> None:
    reached = {(name, path) for name, _, path, _ in links(guides)}
    pages = {ROOT / name for name in guides if name.startswith("docs/")} - {ROOT / "docs/index.md"}
    assert len(pages) == 16
    for start in ("README.md", "docs/index.md"):
        assert pages <= {path for name, path in reached if name == start}, start
    assert ("README.md", ROOT / "docs/index.md") in reached


def test_the_picture_is_small(guides: dict[str, str]) -> None:
    assert f"({PICTURE})" in guides["README.md"]
    assert (ROOT / PICTURE).stat().st_size < 150_000
