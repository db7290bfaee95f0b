"""Pages of many months."""

from pathlib import Path

from pipelines.reporting.pages import write_pages
from tests.builders.published.sample_night import sample
from tests.builders.published.sample_scene import TITLES


def test_every_month_has_its_pages_figures_and_picture(tmp_path: Path) -> None:
    tables, inputs = sample(titles=TITLES[:4], month_count=3, line_count=30)
    written = write_pages(tables, inputs, tmp_path)
    assert len(written) == len(set(written)) and all(path.is_file() for path in written)
    figures = 5 * 2
    # The first month has no change yet, so no contributions, no price changes and no picture.
    of_months = 3 * (2 + 4 * 2 + figures + 1) - (2 * 2 + 1)
    of_months += 2 + 4  # in the latest month: costs of the last nights, and a picture of each model
    overviews = (
        2 + 2 + 2 + 1 + 1 + 2
    )  # two indexes; comparison and method, also as Markdown; list of reports; watches; data
    of_sheets = 4 * 3 + 2  # one model publishes its whole list, so there are files of it
    assert len(written) == overviews + of_sheets + of_months
