"""The pages of the sample night, written once."""

from typing import Any

import pytest

from pipelines.reporting.orders.order_lists import write_order_lists
from pipelines.reporting.pages import write_pages
from tests.builders.published.sample_night import sample
from tests.builders.published.sample_scene import Night


@pytest.fixture(scope="session")
def night() -> Night:
    return sample()


@pytest.fixture(scope="session")
def folder(night: Night, tmp_path_factory: pytest.TempPathFactory) -> Any:
    place = tmp_path_factory.mktemp("generation")
    write_pages(*night, place)
    write_order_lists(night[0], night[1].settings, place)
    return place
