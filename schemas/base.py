"""What every register row and document shares: frozen, no unknown names, strict readings of text cells."""

from __future__ import annotations

import math
import re
from datetime import date, datetime
from decimal import Decimal
from typing import Annotated

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict

from schemas.times import rfc3339_us, us_to_datetime

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)


class Model(BaseModel):
    """Frozen, unknown names are errors, numbers are finite; fields may be given by their Python name."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", populate_by_name=True, allow_inf_nan=False, str_strip_whitespace=True
    )


def _number(raw: object) -> object:
    # pydantic alone would take "1_000", "nan" and True for numbers.
    if isinstance(raw, bool):
        raise ValueError("expected a number such as 12.5")
    if isinstance(raw, str):
        text = raw.strip()
        if _NUMBER.fullmatch(text) is None or not math.isfinite(float(text)):
            raise ValueError("expected a number such as 12.5 (decimal point, no thousands mark)")
        return float(text)
    return raw


def _whole(raw: object) -> object:
    if isinstance(raw, bool):
        raise ValueError("expected a whole number")
    if isinstance(raw, str):
        if re.fullmatch(r"[+-]?\d+", raw.strip(), re.ASCII) is None:
            raise ValueError("expected a whole number")
        return int(raw)
    return raw


def _decimal(raw: object) -> object:
    if isinstance(raw, str):
        if re.fullmatch(r"\d+(\.\d+)?", raw.strip(), re.ASCII) is None:
            raise ValueError("expected a decimal number such as 0.125")
        return Decimal(raw.strip())
    return raw


def _instant(raw: object) -> object:
    if isinstance(raw, str):
        return us_to_datetime(rfc3339_us(raw.strip()))
    if not isinstance(raw, datetime):
        raise ValueError("expected an RFC 3339 time with an offset, such as 2026-03-01T06:30:00Z")
    return raw


def _aware(at: datetime) -> datetime:
    if at.tzinfo is None:
        raise ValueError("expected an offset from UTC, such as 2026-03-01T06:30:00Z")
    return at


def _day_or_instant(raw: object) -> object:
    if isinstance(raw, str):
        text = raw.strip()
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text, re.ASCII) is not None:
            return date.fromisoformat(text)
        return us_to_datetime(rfc3339_us(text))
    if not isinstance(raw, date):
        raise ValueError("expected a day such as 2026-03-01, or an RFC 3339 time with an offset")
    return raw


def _named(text: str) -> str:
    if not text:
        raise ValueError("expected a name, found nothing")
    if not text.isprintable():
        raise ValueError("expected a name without control characters")
    return text


def _stated(text: str) -> str:
    if not text:
        raise ValueError('expected where the figure comes from, or "invented for ..."')
    return text


Name = Annotated[str, AfterValidator(_named)]
Source = Annotated[str, AfterValidator(_stated)]
Number = Annotated[float, BeforeValidator(_number)]
Whole = Annotated[int, BeforeValidator(_whole)]
ExactNumber = Annotated[Decimal, BeforeValidator(_decimal)]
Instant = Annotated[datetime, BeforeValidator(_instant), AfterValidator(_aware)]
DayOrInstant = Annotated[date | datetime, BeforeValidator(_day_or_instant)]
