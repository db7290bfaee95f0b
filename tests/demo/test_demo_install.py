"""``install_demo`` makes a workspace in one call, from a checkout and from a wheel's layout alike."""

from pathlib import Path
from typing import Any

import pytest

from demo_inputs import make_exports
from demo_inputs.make_workspace import WORKSPACE
from pipelines.cli.start import demo
from pipelines.workspace import Workspace
from tests.present import present

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def few_exports(monkeypatch: pytest.MonkeyPatch) -> None:
    """Writing all exports takes seconds; what install_demo does besides does not depend on them."""
    module = demo.demo_module("make_exports")
    monkeypatch.setattr(module, "make_exports", lambda inbox: inbox.mkdir(parents=True))


def test_it_copies_every_file_and_makes_a_workspace(tmp_path: Path, few_exports: Any) -> None:
    demo.install_demo(tmp_path / "demo")
    workspace = Workspace(tmp_path / "demo")
    for path in WORKSPACE.rglob("*"):
        if path.is_file():
            assert (workspace.root / path.relative_to(WORKSPACE)).read_bytes() == path.read_bytes()
    assert workspace.inbox.is_dir() and workspace.quarantined.is_dir()
    assert workspace.settings().refresh.priced_on == "latest_export"


def test_the_settings_file_comes_last(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A demo that was cut off is no workspace."""

    def cut_off(_inbox: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(demo.demo_module("make_exports"), "make_exports", cut_off)
    with pytest.raises(KeyboardInterrupt):
        demo.install_demo(tmp_path)
    assert not (tmp_path / "kitfare.toml").exists()


def test_the_module_loaded_by_path_is_the_one_of_the_checkout() -> None:
    assert Path(present(demo.demo_module("make_exports").__file__)) == Path(make_exports.__file__)
