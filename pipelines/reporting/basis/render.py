"""Templates filled in and written. HTML escapes every value by itself, and so does Markdown."""

from __future__ import annotations

from base64 import b64encode
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from pipelines.reporting.basis.look import BAND_OPACITY, HOLLOW_DASH
from pipelines.reporting.basis.page_tables import Table, escape_markdown
from pipelines.resources import resource_folder


def write_page(path: Path, template: str, **values: Any) -> Path:
    """Fill in ``reports/templates/<template>.j2`` and write it; values are escaped as its ending needs."""
    path.parent.mkdir(parents=True, exist_ok=True)
    environment = _html() if template.endswith(".html") else _markdown()
    text = environment.get_template(f"{template}.j2").render(**values)
    path.write_text(text, encoding="utf-8", newline="\n")
    return path


@cache
def _html() -> Environment:
    environment = _environment(autoescape=True, finalize=_unbroken)
    css = (resource_folder("reports") / "templates" / "page.css").read_text(encoding="utf-8")
    environment.globals.update(css=Markup(css), policy=Markup(_policy(css)))  # our own file
    environment.globals.update(band_opacity=BAND_OPACITY, hollow_dash=HOLLOW_DASH)  # for legends
    return environment


def _policy(css: str) -> str:
    """The pages' Content-Security-Policy: our own style and nothing else, so that text which passes for a script never runs."""
    digest = b64encode(sha256(css.encode()).digest()).decode()
    return f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"


@cache
def _markdown() -> Environment:
    return _environment(autoescape=False, finalize=_as_markdown)


def _unbroken(value: Any) -> Any:
    """Text that never breaks between a figure and its per cent sign."""
    return value.replace(" %", "\u00a0%") if type(value) is str else value


def _as_markdown(value: Any) -> str:
    if isinstance(value, Table):
        return value.markdown()
    return escape_markdown(str(value))


def _environment(**options: Any) -> Environment:
    return Environment(
        loader=FileSystemLoader(resource_folder("reports") / "templates"),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        **options,
    )
