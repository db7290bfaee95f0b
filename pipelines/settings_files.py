"""Settings read from TOML files, and what makes no sense in them put in words."""

from __future__ import annotations

import re
import tomllib
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from pipelines.errors import SettingsError
from pipelines.settings_base import Strict

_Loaded = TypeVar("_Loaded", bound=BaseModel)


def load_toml(path: Path, kind: type[_Loaded]) -> _Loaded:
    """Read a TOML file into a class of settings.

    Raises:
        SettingsError: the file is missing, not TOML, or has an unknown key or a value that makes no sense.
    """
    try:
        return kind.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        raise SettingsError(
            f"{path.name} is missing",
            where=str(path),
            next_step="make one: `kitfare init` of a new folder writes an example",
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"{path.name} is not readable as TOML: {error}",
            where=str(path),
            next_step='correct that place; text stands in "quotes", and a \\ in it is written \\\\',
        ) from None
    except ValidationError as error:
        reported = "; ".join(_in_words(found) for found in error.errors())
        raise SettingsError(
            f"{path.name} has settings that make no sense",
            where=f"{path}: {reported}",
            next_step="correct them and try again",
        ) from None


def _setting_names(kind: type[Strict]) -> list[str]:
    """The names of all settings there are, in any file."""
    return [name for each in kind.__subclasses__() for name in (*each.model_fields, *_setting_names(each))]


def _in_words(found: Any) -> str:
    """What pydantic found, by the key's place in the file; a rule of our own comes without pydantic's preface."""
    steps = [f"#{step + 1}" if isinstance(step, int) else step for step in found["loc"]]
    place = ".".join(step for step in steps if "[" not in step).replace(".#", " #")
    value = found["input"]
    if found["type"] == "extra_forbidden":
        near = get_close_matches(str(found["loc"][-1]), _setting_names(Strict), 1)
        reported = "there is no such setting" + (f"; did you mean {near[0]}?" if near else "")
    elif found["type"] == "missing":
        reported = "is missing"
    elif found["type"] == "value_error" or not isinstance(value, str | int | float | date):
        reported = found["msg"].removeprefix("Value error, ")
    else:
        rule = re.sub(", (unable to parse|input is too short).*", "", found["msg"].replace("Input should", "it should"))
        reported = f"{value!r} will not do: {rule.replace('integer', 'whole number').replace(' or datetime', '')}"
    return f"{place}: {reported}" if place else reported
