"""How large the index of 300 models is, and when headless Chromium paints it: ``python -m tests.benchmarks.index_bench``."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from playwright.sync_api import sync_playwright

from pipelines.reporting.basis.page_data import PageData
from pipelines.reporting.basis.render import write_page
from pipelines.reporting.index_pages import index
from tests.browser.conftest import CHROMIUM, QUIET
from tests.reporting.test_index_page import many

OPENED = 7
PAINTED = "performance.getEntriesByName('first-contentful-paint')[0].startTime"
SORTED = """() => { const began = performance.now(); document.querySelectorAll('button.sort')[1].click();
  document.body.offsetHeight; return performance.now() - began; }"""


def main() -> None:
    """Print the size, the CPU seconds of looking up and of writing, and the times in the browser."""
    night = many()
    began = time.process_time()
    page_data = PageData(*night)
    looked_up = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        values = index(page_data)
        page = write_page(Path(folder) / "index.html", "index.html", ("index",), made=None, **values)
        written = time.process_time()
        print(f"{page.stat().st_size:,} bytes; CPU s: look-up {looked_up - began:.2f}, page {written - looked_up:.2f}")
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=list(QUIET))
            painted = []
            for _ in range(OPENED):
                view = browser.new_context().new_page()
                view.goto(page.as_uri())
                view.wait_for_function("() => performance.getEntriesByName('first-contentful-paint').length")
                painted.append(view.evaluate(PAINTED))
            print(f"first paint, ms: {min(painted):.0f} to {max(painted):.0f}; sorting: {view.evaluate(SORTED):.0f}")
            browser.close()


if __name__ == "__main__":
    main()
