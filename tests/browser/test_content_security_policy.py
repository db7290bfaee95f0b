"""What the pages' Content-Security-Policy lets a browser do: show the page, and nothing else."""

import re
from pathlib import Path
from typing import Any

import pytest

from tests.browser.visit import PAGES, Visit

POLICY = re.compile(r'<meta http-equiv="Content-Security-Policy" content="([^"]+)">\n')
INJECTED = {
    "a script": "<script>document.title = 'ran'</script>",
    "a handler": "<svg onload=\"document.title = 'ran'\"></svg><img src=x onerror=\"document.title = 'ran'\">",
    "a script from outside": "<script src='http://127.0.0.1:9/a.js'></script>",
    "a picture from outside": "<img src='http://127.0.0.1:9/a.png'>",
    "a frame": "<iframe srcdoc=\"<script>parent.document.title = 'ran'</script>\"></iframe>",
    "a style": "<style>h1 { color: rgb(1, 2, 3) }</style>",
    "a style from outside": "<link rel=stylesheet href='http://127.0.0.1:9/a.css'>",
}


def had_effect(visit: Any) -> bool:
    """Whether something injected ran, was asked for, or changed how the page looks."""
    visit.page.wait_for_load_state("load")
    title, colour = visit.page.title(), visit.run("getComputedStyle(document.querySelector('h1')).color")
    return title == "ran" or colour == "rgb(1, 2, 3)" or bool([url for url in visit.outside if "127.0.0.1" in url])


def test_every_page_has_the_policy_before_anything_it_could_load(site: Path) -> None:
    for path in sorted(site.rglob("*.html")):
        text = path.read_text(encoding="utf-8")
        [policy] = POLICY.findall(text)
        assert re.fullmatch(
            r"default-src 'none'; script-src 'sha256-[\w+/]{43}='; style-src 'sha256-[\w+/]{43}='; "
            r"base-uri 'none'; form-action 'none'",
            policy,
        )
        assert text.index("Content-Security-Policy") < min(text.index("<style"), text.index("<title"))


@pytest.mark.parametrize("name", PAGES)
def test_the_policy_keeps_nothing_of_the_page_from_showing(chromium: Any, site: Path, name: str) -> None:
    with Visit(chromium, site / name) as visit:
        assert visit.complaints == []
        assert visit.run("getComputedStyle(document.body).backgroundColor") == "rgb(251, 250, 246)"


@pytest.mark.parametrize("kind", INJECTED)
def test_what_is_injected_has_no_effect(chromium: Any, site: Path, tmp_path: Path, kind: str) -> None:
    """With the policy; without it the same page does all that the injected text says."""
    page = (site / "public/sheets/m00.html").read_text(encoding="utf-8")
    bad = page.replace("<main>", f"<main>{INJECTED[kind]}", 1)
    (tmp_path / "guarded.html").write_text(bad, encoding="utf-8")
    (tmp_path / "bare.html").write_text(POLICY.sub("", bad), encoding="utf-8")
    with Visit(chromium, tmp_path / "guarded.html") as visit:
        assert not had_effect(visit)
        assert any("Content Security Policy" in complaint for complaint in visit.complaints)
    with Visit(chromium, tmp_path / "bare.html") as visit:
        assert had_effect(visit)
