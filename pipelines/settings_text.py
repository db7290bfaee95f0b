"""kitfare.toml and model.toml as text, written from the settings classes, so every setting has its explanation.

A line that starts with ``# `` explains; one that starts with ``#`` and a key is a setting that is switched off.
"""

from __future__ import annotations

import json
import textwrap
import types
import typing
from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from pipelines.settings import BUILT_IN_SCENARIOS, ModelSettings, Settings

_WIDTH = 100
_HEAD = [
    "# All settings of this workspace, with their meanings. A setting that you leave out has its built-in value.",
    "# A line such as #name = value is switched off. Remove the # to switch it on.",
    "# A key marked (not set) has no value. To set it, write name = value in a line of its own.",
]

_Path = tuple[str, ...]


def settings_toml(settings: Settings) -> str:
    """All of kitfare.toml: every key with its meaning and value; keys without a value are there, switched off."""
    lines = [*_HEAD, *_body(settings, (), set())]
    if not settings.scenario:
        lines += ["", "# The built-in ways of buying. The first one shows every setting."]
        first, *others = BUILT_IN_SCENARIOS
        lines += ["", *_switched_off(["[[scenario]]", *_body(first, ("scenario",), set())])]
        for scenario in others:
            own = [f"{name} = {_value(getattr(scenario, name))}" for name in _given(scenario)]
            lines += ["", *_switched_off(["[[scenario]]", *own])]
    return _text(lines)


def model_toml(settings: ModelSettings) -> str:
    """All of a model's model.toml, in the same way."""
    return _text(
        ["# This model: its name, its versions, and what its instructions cost.", "", *_body(settings, (), set())]
    )


def _given(model: BaseModel) -> list[str]:
    """Names of the fields that were given, in the class's order."""
    return [name for name in type(model).model_fields if name in model.model_fields_set]


def _body(model: BaseModel, path: _Path, explained: set[_Path]) -> list[str]:
    """Plain keys first, then tables: in TOML a key after a table's heading would belong to that table."""
    fields = type(model).model_fields
    tables = [name for name, field in fields.items() if _table_class(field) is not None]
    lines: list[str] = []
    for name, field in fields.items():
        if name not in tables:
            lines += [*_explanation(field, (*path, name), explained), _key_line(name, getattr(model, name))]
    for name in tables:
        lines += _table(name, fields[name], getattr(model, name), path, explained)
    return lines


def _table(name: str, field: FieldInfo, value: Any, path: _Path, explained: set[_Path]) -> list[str]:
    own = (*path, name)
    many = typing.get_origin(field.annotation) is list
    heading = f"[[{'.'.join(own)}]]" if many else f"[{'.'.join(own)}]"
    items = value if many else [] if value is None else [value]
    lines = ["", *_explanation(field, own, explained)]
    for number, item in enumerate(items):
        lines += [*([""] if number else []), heading, *_body(item, own, explained)]
    if not items and own != ("scenario",):
        table_class = _table_class(field)
        assert table_class is not None
        lines += _switched_off([heading, *_body(_example(table_class), own, explained)])
    return lines


def _table_class(field: FieldInfo) -> type[BaseModel] | None:
    """The settings class that a field holds: itself, or nothing, or in a list; None for a plain value."""
    for kind in (field.annotation, *typing.get_args(field.annotation)):
        if isinstance(kind, type) and not isinstance(kind, types.GenericAlias) and issubclass(kind, BaseModel):
            return kind
    return None


def _example(kind: type[BaseModel]) -> BaseModel:
    """The class with the examples of its fields where they have no default."""
    return kind(**{name: field.examples[0] for name, field in kind.model_fields.items() if field.examples})


def _explanation(field: FieldInfo, path: _Path, explained: set[_Path]) -> list[str]:
    if path in explained:
        return []
    explained.add(path)
    return [f"# {line}" for line in textwrap.wrap(field.description or "", _WIDTH)]


def _key_line(name: str, value: Any) -> str:
    # TOML has no empty value, so a key that is not set stands in a comment.
    return f"# (not set) {name} =" if value is None else f"{name} = {_value(value)}"


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Decimal):
        plain = format(value, "f")
        # TOML numbers with a point are binary floats; a decimal that a float can't hold exactly is written as text.
        return plain if Decimal(repr(float(plain))) == value else _string(plain)
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return _string(str(value))


def _string(text: str) -> str:
    # JSON's escapes are TOML's, but for DEL, which TOML wants escaped too.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _switched_off(lines: list[str]) -> Iterator[str]:
    return (line if not line or line.startswith("#") else f"#{line}" for line in lines)


def _text(lines: list[str]) -> str:
    return "\n".join(lines).rstrip() + "\n"
