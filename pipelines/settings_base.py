"""What all settings share: reading them from TOML, unknown keys refused, numbers exactly as they were typed."""

from __future__ import annotations

import re
import tomllib
from datetime import date
from decimal import Decimal
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar
from urllib.parse import urlsplit

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from pipelines.errors import SettingsError
from pipelines.plain_files import read_plain
from schemas.contract import FIRST_DAY, LAST_DAY


def _exact_decimal(value: Any) -> Any:
    """TOML numbers with a point arrive as binary floats; their shortest text is what the user typed."""
    return Decimal(str(value)) if isinstance(value, float) else value


def _is_base(value: str) -> str:
    """An address that a page's path can be put behind."""
    parts = urlsplit(value)
    is_plain = value.isascii() and value.isprintable() and not set(value) & set(" <>\"'\\?#@")
    if value and not (is_plain and parts.scheme == "https" and parts.hostname):
        raise ValueError("write it like https://example.org/costs: https, no name or password, no ? and no #")
    return value


BaseUrl = Annotated[str, AfterValidator(_is_base)]
ExactDecimal = Annotated[Decimal, BeforeValidator(_exact_decimal)]
Day = Annotated[date, Field(ge=FIRST_DAY, le=LAST_DAY)]
Effort = Literal["quick", "standard", "deep"]


class Strict(BaseModel):
    """A table of settings."""

    model_config = ConfigDict(extra="forbid", frozen=True)


_Loaded = TypeVar("_Loaded", bound=BaseModel)


def load_toml(path: Path, kind: type[_Loaded]) -> _Loaded:
    """Read a TOML file into a settings class.

    Raises:
        SettingsError: the file is missing, no plain file, not TOML, or has an unknown key or a wrong value.
    """
    try:
        return kind.model_validate(tomllib.loads(read_plain(path).decode()))
    except FileNotFoundError:
        raise SettingsError(
            f"{path.name} is missing",
            where=str(path),
            next_step="copy one from a new workspace: `kitfare init DIR` writes it",
        ) from None
    except OSError as error:
        raise SettingsError(
            f"{path.name} can't be read: {error.strerror or error}",
            where=str(path),
            next_step="put a plain file in its place that you may read",
        ) from None
    except RecursionError:
        raise SettingsError(
            f"{path.name} can't be read as TOML: brackets stand in brackets too many times",
            where=str(path),
            next_step="remove what does not belong there; no setting needs more than three levels",
        ) from None
    except ValidationError as error:
        faults = "; ".join(_in_words(found) for found in error.errors())
        raise SettingsError(
            f"{path.name} has wrong settings",
            where=f"{path}: {faults}",
            next_step="correct them and run the command again",
        ) from None
    except ValueError as error:  # also of text that is not UTF-8, and of a number with thousands of digits
        raise SettingsError(
            f"{path.name} can't be read as TOML: {error}",
            where=str(path),
            next_step='correct that line; text stands in "quotes", and \\ in a text is written \\\\',
        ) from None


def _setting_names(kind: type[Strict]) -> list[str]:
    """The names of all settings of all files."""
    return [name for each in kind.__subclasses__() for name in (*each.model_fields, *_setting_names(each))]


def _in_words(found: Any) -> str:
    """What is wrong, after the key's place in the file, without pydantic's own phrases."""
    steps = [f"#{step + 1}" if isinstance(step, int) else step for step in found["loc"]]
    place = ".".join(step for step in steps if "[" not in step).replace(".#", " #")
    value = found["input"]
    if found["type"] == "extra_forbidden":
        near = get_close_matches(str(found["loc"][-1]), _setting_names(Strict), 1)
        fault = "there is no such setting" + (f"; did you mean {near[0]}?" if near else "")
    elif found["type"] == "missing":
        fault = "is missing"
    elif found["type"] == "value_error" or not isinstance(value, str | int | float | date):
        fault = found["msg"].removeprefix("Value error, ")
    else:
        rule = re.sub(", (unable to parse|input is too short).*", "", found["msg"].replace("Input should", "it must"))
        shown = value if isinstance(value, date) else repr(value)
        fault = f"{shown} is not allowed: {rule.replace('integer', 'whole number').replace(' or datetime', '')}"
    return f"{place}: {fault}" if place else fault
