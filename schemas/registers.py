"""One model for a row of each CSV register. Field aliases are the column names where those are Python words.

A field without a default is a column that must be there; `| None` means that its cell may be empty.
Dated rows give their instants as UTC microseconds too (`from_us`, `to_us`, `at_us`).
The TOML documents live in `schemas.documents` and `schemas.specs` and are re-exported here.
"""

from __future__ import annotations

import re
from datetime import date, datetime
from typing import Literal, Self

from pydantic import Field, field_validator, model_validator

from schemas.base import DayOrInstant, ExactNumber, Instant, Model, Name, Number, Whole
from schemas.documents import Layout as Layout
from schemas.documents import Policy as Policy
from schemas.documents import QualityLimits as QualityLimits
from schemas.documents import RowRules as RowRules
from schemas.documents import SiteConfig as SiteConfig
from schemas.documents import SiteInfo as SiteInfo
from schemas.documents import TextRules as TextRules
from schemas.documents import TimeRules as TimeRules
from schemas.documents import ValueRule as ValueRule
from schemas.specs import FatigueCurve as FatigueCurve
from schemas.specs import Limits as Limits
from schemas.specs import Spec as Spec
from schemas.times import DAY_US, day_start_us, instant_us

Quantity = Literal["tension", "payout", "brake", "winch-mode", "hook-state", "temperature", "wind"]
Kind = Literal["load-pin", "winch-brake", "other"]
Zone = Literal["a", "b"]
_CROPPED = re.compile(r"zone ([ab]), (\d{1,4}(?:\.\d+)?) m(?:\s*;.*)?", re.ASCII)
_PARTED = re.compile(r"\s*(not\s+)?parted\s*(?:;.*)?", re.IGNORECASE | re.DOTALL)


class Channel(Model):
    """One measured quantity at one place. `capacity` is in the quantity's canonical unit (tension: kN).

    `logger`: whose clock stamps it; without it, each layout that feeds channels is one logger. `filter_s`: over how
    long before its stamp a reading is a mean, where the logger's manual says so.
    """

    channel: Name
    quantity: Quantity
    kind: Kind
    rate_hz: Number = Field(gt=0)
    capacity: Number | None = Field(gt=0)
    place: Name
    recorded: Literal["instant", "mean", "max"] = "instant"
    expected_every_h: Number | None = Field(default=None, gt=0)
    safe_load_kn: Number | None = Field(default=None, gt=0)
    logger: Name | None = None
    filter_s: Number | None = Field(default=None, ge=0, le=60)


class Calibration(Model):
    """From `from_at` until the channel's next row: tension = (reading - zero_kn) * gain.

    `uncertainty_pct`: as certificates of force transducers commonly give it, in percent of full scale, which is the
    channel's capacity (common practice, no source).
    """

    channel: Name
    from_at: Instant = Field(validation_alias="from", serialization_alias="from")
    zero_kn: Number = 0.0
    gain: Number = Field(default=1.0, gt=0)
    uncertainty_pct: Number | None = Field(default=None, ge=0)
    due: DayOrInstant | None = None
    certificate: str | None = None

    @property
    def from_us(self) -> int:
        return instant_us(self.from_at)

    @property
    def overdue_from_us(self) -> int | None:
        """The instant from which it is overdue: a day that is due counts wholly as in time; None where none is."""
        if self.due is None:
            return None
        return instant_us(self.due) if isinstance(self.due, datetime) else day_start_us(self.due) + DAY_US

    def uncertainty_kn(self, capacity_kn: float | None) -> float | None:
        """The same in kN, of a channel of this capacity; None where register or capacity do not tell it."""
        if self.uncertainty_pct is None or capacity_kn is None:
            return None
        return self.uncertainty_pct / 100.0 * capacity_kn


class Ship(Model):
    """A ship and its design minimum breaking load, on which the limits are reckoned."""

    ship: Name
    design_mbl_kn: Number | None = Field(gt=0)
    source: str | None


class Line(Model):
    """A mooring line or tail. `break_force_kn`, where given, is its own certificate's and beats the spec's.

    `opening_life` is the life used before the first record, as a fraction (0.1 = a tenth), with its source;
    without it the opening balance is unknown.
    """

    line: Name
    ship: Name
    spec: Name
    part: Literal["main", "tail"]
    in_service: DayOrInstant | None
    break_force_kn: Number | None = Field(default=None, gt=0)
    opening_life: ExactNumber | None = Field(default=None, ge=0, decimal_places=30)
    opening_source: str | None = None

    @property
    def in_service_us(self) -> int | None:
        """The instant since which it is in service (a bare day begins at 00:00 UTC)."""
        return None if self.in_service is None else _start_us(self.in_service)

    @model_validator(mode="after")
    def _opening_has_a_source(self) -> Self:
        if self.opening_life is not None and self.opening_source is None:
            raise ValueError("opening_life needs its opening_source; without a source leave both empty")
        return self


class Rigging(Model):
    """One line on one tension channel over [from, to); `to_at` is None while it is still rigged.

    `pretension_kn`: the tension planned for it, of the line itself; without it the policy's percentage holds.
    Lead, where it is known: the chock, metres ahead of midships and athwart from the keel line (positive away from the
    quay); and the way from it to the hook, degrees seen from above from ahead (positive away from the quay) and degrees
    below level. It serves incidents alone.
    """

    line: Name
    channel: Name
    from_at: Instant = Field(validation_alias="from", serialization_alias="from")
    to_at: Instant | None = Field(validation_alias="to", serialization_alias="to")
    outboard_end: Zone
    share_pct: Number = Field(gt=0, le=100)
    share_basis: Literal["measured", "assumed"] = "measured"
    share_low: Number | None = Field(default=None, gt=0, le=100)
    share_high: Number | None = Field(default=None, gt=0, le=100)
    role: Literal["head", "breast", "spring", "stern"] | None = None
    inboard_m: Number | None = Field(default=None, ge=0)
    outboard_m: Number | None = Field(default=None, ge=0)
    wrap_deg: Number | None = Field(default=None, ge=0)
    bend_ratio: Number | None = Field(default=None, gt=0)
    surface: str | None = None
    pretension_kn: Number | None = Field(default=None, gt=0)
    chock_ahead_m: Number | None = None
    chock_athwart_m: Number | None = None
    lead_deg: Number | None = Field(default=None, ge=-180, le=360)
    lead_down_deg: Number | None = Field(default=None, gt=-90, lt=90)

    @property
    def from_us(self) -> int:
        return instant_us(self.from_at)

    @property
    def to_us(self) -> int | None:
        return None if self.to_at is None else instant_us(self.to_at)

    @model_validator(mode="after")
    def _ends_and_bounds_are_in_order(self) -> Self:
        to_us = self.to_us
        if to_us is not None and to_us <= self.from_us:
            raise ValueError("`to` must be later than `from`; leave it empty while the line is still rigged")
        if self.share_low is not None and self.share_low > self.share_pct:
            raise ValueError("share_low must not be above share_pct")
        if self.share_high is not None and self.share_high < self.share_pct:
            raise ValueError("share_high must not be below share_pct")
        return self


class Winch(Model):
    """The brake setting of one winch since `set_on` (None: as far back as known)."""

    place: Name
    brake_set_kn: Number | None = Field(gt=0)
    set_on: DayOrInstant | None
    layer: Whole | None = Field(default=None, ge=1)
    reeling: Literal["right", "wrong"] | None = None
    barrel_mm: Number | None = Field(default=None, gt=0)
    rope_mm: Number | None = Field(default=None, gt=0)

    @property
    def set_on_us(self) -> int | None:
        """The instant since which the setting holds (a bare day begins at 00:00 UTC)."""
        return None if self.set_on is None else _start_us(self.set_on)


class Service(Model):
    """Something done to a line. The zone outboard comes from the riggings alone.

    `detail` of a crop names the end and the length cut off it: "zone a, 12 m", and after a semicolon whatever else.
    That of a repair, an inspection or a retirement may begin with "parted" or "not parted", and go on likewise: what a
    person found of a line that lost its load.
    """

    line: Name
    at: Instant
    action: Literal["end-for-end", "crop", "repair", "inspection", "retire"]
    detail: str | None = None

    @property
    def at_us(self) -> int:
        return instant_us(self.at)

    @property
    def cropped(self) -> tuple[Zone, float] | None:
        """The zone cropped and the metres cut off; None where it is no crop, or its `detail` does not say so."""
        found = None if self.detail is None else _CROPPED.fullmatch(self.detail)
        if self.action != "crop" or found is None or float(found[2]) <= 0:
            return None
        return ("a" if found[1] == "a" else "b"), float(found[2])

    @property
    def parted(self) -> bool | None:
        """Whether a person found that the line had parted, or that it had not; None where `detail` does not say so."""
        found = None if self.detail is None else _PARTED.fullmatch(self.detail)
        return None if found is None or self.action not in ("repair", "inspection", "retire") else found[1] is None


class StrengthTest(Model):
    """A break test of a piece of a line."""

    line: Name
    zone: Zone
    at: DayOrInstant
    position_m: Number | None = Field(ge=0)
    condition: Literal["wet", "dry"] | None
    break_kn: Number = Field(gt=0)
    laboratory: str | None = None

    @property
    def at_us(self) -> int:
        """The instant of `at` (a bare day begins at 00:00 UTC)."""
        return _start_us(self.at)


class Withdrawn(Model):
    """A raw file whose rows are not live, and why."""

    sha256: str
    reason: Name

    @field_validator("sha256")
    @classmethod
    def _is_a_digest(cls, text: str) -> str:
        if re.fullmatch(r"[0-9a-fA-F]{64}", text) is None:
            raise ValueError("expected 64 hexadecimal digits, as `tautlog receipts --json` prints them")
        return text.lower()


def _start_us(value: date | datetime) -> int:
    return instant_us(value) if isinstance(value, datetime) else day_start_us(value)
