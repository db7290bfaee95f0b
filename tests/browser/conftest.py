"""A headless Chromium that may open local files and nothing else."""

import sys
from pathlib import Path

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

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "reporting"))


@pytest.fixture(scope="session")
def chromium():
    if not CHROMIUM.exists():
        pytest.skip(f"browser tests need Debian's chromium at {CHROMIUM}: apt-get install chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=list(QUIET))
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def site(tmp_path_factory):
    """The pages of the sample night, one model of which has a long title."""
    from sample_tables import sample

    from pipelines.reporting.orders.order_lists import write_order_lists
    from pipelines.reporting.pages import write_pages

    tables, inputs = sample(
        titles=["Harbour crane", "Night ferry", "Unabbreviated-" * 8 + "lantern"], month_count=14, line_count=20
    )
    folder = tmp_path_factory.mktemp("site")
    write_pages(tables, inputs, folder, months=["2025-10", "2026-10", "2026-11"])
    write_order_lists(tables, inputs.settings, folder)
    return folder
