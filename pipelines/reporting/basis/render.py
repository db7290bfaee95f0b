"""Templates filled in and written. HTML escapes every value by itself, and so does Markdown."""

from __future__ import annotations

from base64 import b64encode
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from pipelines.reporting.basis.look import BAND_OPACITY, HOLLOW_DASH
from pipelines.reporting.basis.page_tables import Table, escape_markdown
from pipelines.resources import resource_folder


def write_page(path: Path, template: str, parts: tuple[str, ...] = (), **values: Any) -> Path:
    """Fill in ``reports/templates/<template>.j2`` and write it; values are escaped as its ending needs.

    Args:
        path: the file to write.
        template: its name, without ``.j2``.
        parts: names of style sheets and scripts (``<name>.css``, ``<name>.js``) that the page needs beside those of all pages.
        values: what the template names.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    if template.endswith(".html"):
        text = _html().get_template(f"{template}.j2").render(page=_frame(parts), **values)
    else:
        text = _markdown().get_template(f"{template}.j2").render(**values)
    path.write_text(text, encoding="utf-8", newline="\n")
    return path


@dataclass(frozen=True)
class Frame:
    """What stands in every page: its style, its scripts, and the policy that allows these and nothing else."""

    style: Markup
    scripts: tuple[Markup, ...]
    policy: Markup


@cache
def _frame(parts: tuple[str, ...]) -> Frame:
    """Our own files, inline: a page is one file, and text that passes for a script never runs."""
    style = "".join(_own(f"{name}.css") for name in ("page", *parts))
    scripts = [script for name in ("page", *parts) if (script := _own(f"{name}.js"))]
    policy = (
        f"default-src 'none'; script-src {' '.join(map(_hash, scripts))}; style-src {_hash(style)}; "
        "base-uri 'none'; form-action 'none'"
    )
    return Frame(Markup(style), tuple(map(Markup, scripts)), Markup(policy))  # noqa: S704 - our own files


def _own(name: str) -> str:
    path = resource_folder("reports") / "templates" / name
    return path.read_text(encoding="utf-8") if path.is_file() else ""


def _hash(text: str) -> str:
    return f"'sha256-{b64encode(sha256(text.encode()).digest()).decode()}'"


@cache
def _html() -> Environment:
    environment = _environment(autoescape=True, finalize=_unbroken)
    environment.globals.update(band_opacity=BAND_OPACITY, hollow_dash=HOLLOW_DASH)  # for legends
    return environment


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
