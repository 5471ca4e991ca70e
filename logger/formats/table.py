"""What every checked table of a configuration shares, and the values that most of them take."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]


class Table(BaseModel):
    """What all tables share: unknown keys, wrong types and NaN are refused."""

    model_config = ConfigDict(defer_build=True, extra="forbid", strict=True, frozen=True, allow_inf_nan=False)
