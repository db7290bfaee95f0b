"""What all settings share: unknown keys are refused, and a number with a point is the decimal that was typed."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict


def _exact_decimal(value: Any) -> Any:
    """TOML numbers with a point are binary floats; their shortest text is what the user typed."""
    return Decimal(str(value)) if isinstance(value, float) else value


ExactDecimal = Annotated[Decimal, BeforeValidator(_exact_decimal)]
Effort = Literal["quick", "standard", "deep"]


class Strict(BaseModel):
    """A table of settings."""

    model_config = ConfigDict(extra="forbid", frozen=True)
