"""A headless Chromium that may open local files and nothing else."""

import os
import shutil
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = Path("/usr/bin/chromium")
QUIET = (
    "--no-sandbox",
    "--headless",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-domain-reliability",
    "--disable-sync",
)

FONT_FOLDERS = (Path("/usr/share/fonts"), Path("/usr/local/share/fonts"), Path.home() / ".local/share/fonts")
FONT_SETS = {"DejaVu": "fonts-dejavu-core", "Liberation": "fonts-liberation"}
"""The families of a reader whose letters are wide, and of one whose are those the drawings are made with; and their packages."""
STYLES = ("Sans", "Sans-Bold", "SansMono", "Serif", "Serif-Bold", "Sans-Regular", "Mono-Regular", "Serif-Regular")
FONT_SETTINGS = """<fontconfig><dir>{folder}</dir><cachedir>{folder}/cache</cachedir>
<alias><family>sans-serif</family><prefer><family>{family} Sans</family></prefer></alias>
<alias><family>system-ui</family><prefer><family>{family} Sans</family></prefer></alias>
<alias><family>serif</family><prefer><family>{family} Serif</family></prefer></alias></fontconfig>"""


@cache
def font_files(family: str) -> list[Path]:
    """The upright fonts of a family that this machine has; none without its sans serif."""
    names = [f"{family}{style}.ttf" for style in STYLES]
    found = {path.name: path for folder in FONT_FOLDERS if folder.is_dir() for path in folder.rglob(f"{family}*.ttf")}
    files = [found[name] for name in names if name in found]
    return files if any(path.stem.startswith(f"{family}Sans") for path in files) else []


@pytest.fixture(scope="session")
def playwright() -> Iterator[Any]:
    if not CHROMIUM.exists():
        pytest.skip(f"browser tests need Debian's chromium at {CHROMIUM}: apt-get install chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as running:
        yield running


@pytest.fixture(scope="session")
def chromium_with(playwright: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[str], Any]]:
    """A function from a family of fonts to a Chromium that knows this family and no other, whatever the machine has."""
    running = {}

    def start(family: str) -> Any:
        files = font_files(family)
        if not files:
            pytest.skip(f"browser tests need the fonts {family}: apt-get install {FONT_SETS[family]}")
        if family not in running:
            folder = tmp_path_factory.mktemp(family)
            for path in files:
                shutil.copy(path, folder)
            settings = folder / "fonts.conf"
            settings.write_text(FONT_SETTINGS.format(folder=folder, family=family), encoding="utf-8")
            running[family] = playwright.chromium.launch(
                executable_path=str(CHROMIUM), args=list(QUIET), env={**os.environ, "FONTCONFIG_FILE": str(settings)}
            )
        return running[family]

    yield start
    for browser in running.values():
        browser.close()


@pytest.fixture(params=list(FONT_SETS))
def chromium_of_each(request: pytest.FixtureRequest, chromium_with: Callable[[str], Any]) -> Any:
    """For what depends on the width of letters: with wide and with narrow fonts."""
    return chromium_with(request.param)


@pytest.fixture
def chromium(chromium_with: Callable[[str], Any]) -> Any:
    """For all else: the wide fonts, or the narrow ones where there are no others."""
    return chromium_with(next((family for family in FONT_SETS if font_files(family)), "DejaVu"))


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The pages of the sample night, one model of which has a long title."""
    from pipelines.reporting.orders.order_lists import write_order_lists
    from pipelines.reporting.pages import write_pages
    from tests.builders.published.sample_night import sample

    tables, inputs = sample(
        titles=["Harbour crane", "Night ferry", "Unabbreviated-" * 8 + "lantern"], month_count=14, line_count=20
    )
    folder = tmp_path_factory.mktemp("site")
    write_pages(tables, inputs, folder, months=["2025-10", "2026-10", "2026-11"])
    write_order_lists(tables, inputs.settings, folder)
    return folder
