"""Models of the TOML documents: `site.toml` with its policy, and raw-log layouts. Specs: `schemas.specs`.

Every threshold of the policy has a default, so that an empty `[policy]` is a complete one. Defaults without a
published source say so; they are house rules to be changed where the site knows better.
"""

from __future__ import annotations

import codecs
import re
from typing import Literal, Self

from pydantic import ConfigDict, Field, field_validator, model_validator

from schemas.base import Model, Name, Number, Whole
from schemas.specs import Limits

_STORE_URL = re.compile(r"s3://[a-z0-9][a-z0-9.-]{1,61}[a-z0-9](/[A-Za-z0-9][A-Za-z0-9._-]*)*/?", re.ASCII)


class SiteInfo(Model):
    """Who and where: `timezone` is an IANA name, `ambient_c` and `wind_m_s` the air's temperature and speed
    assumed without a sensor (no wind given: still air).

    `store`: URL of the object store that holds originals, samples, sheets and manifests, where it is not this folder.
    """

    id: Name
    name: Name
    timezone: Name
    ambient_c: Number | None = None
    wind_m_s: Number | None = Field(default=None, ge=0)
    store: Name | None = None

    @field_validator("store")
    @classmethod
    def _is_a_bucket_and_a_prefix(cls, url: str | None) -> str | None:
        # No user, no question mark, no fragment: a register is archived with every run, and holds no secret.
        if url is not None and _STORE_URL.fullmatch(url) is None:
            raise ValueError('expected a URL like "s3://bucket/prefix"; the endpoint and keys are in the environment')
        return None if url is None else url.rstrip("/")


class QualityLimits(Model):
    """Limits of the quality checks for one kind of tension channel; `_pct` is percent of its capacity.

    Defaults: house rules, no published source.
    """

    spike_pct: Number = Field(default=20.0, gt=0)
    spike_max_gap_s: Number = Field(default=2.0, gt=0)
    rate_pct_per_s: Number = Field(default=100.0, gt=0)
    flat_s: Number = Field(default=1800.0, gt=0)
    flat_tolerance_pct: Number = Field(default=0.0, ge=0)
    zero_s: Number = Field(default=600.0, gt=0)
    zero_pct: Number = Field(default=0.1, ge=0)
    impossible_low_pct: Number = Field(default=-25.0, le=0)
    impossible_high_pct: Number = Field(default=200.0, gt=100)


class LoadPinLimits(QualityLimits):
    """Load pins answer at once and read finely: a value that never moves is suspect soonest."""

    flat_s: Number = Field(default=900.0, gt=0)


class WinchBrakeLimits(QualityLimits):
    """Brake gauges are slower and coarser: steps are larger, and a steady load repeats its value for long."""

    spike_pct: Number = Field(default=30.0, gt=0)
    flat_s: Number = Field(default=3600.0, gt=0)
    zero_pct: Number = Field(default=0.5, ge=0)


class QualityPolicy(Model):
    """Quality limits by the kind of channel: `[policy.quality.load-pin]` and so on."""

    load_pin: LoadPinLimits = Field(
        default_factory=LoadPinLimits, validation_alias="load-pin", serialization_alias="load-pin"
    )
    winch_brake: WinchBrakeLimits = Field(
        default_factory=WinchBrakeLimits, validation_alias="winch-brake", serialization_alias="winch-brake"
    )
    other: QualityLimits = Field(default_factory=QualityLimits)

    def for_kind(self, kind: Literal["load-pin", "winch-brake", "other"]) -> QualityLimits:
        """The limits of one kind of channel."""
        return {"load-pin": self.load_pin, "winch-brake": self.winch_brake, "other": self.other}[kind]


EDGE_S = 3600.0
"""How far [s] the detectors and checks of one day look into the days beside it."""


class Policy(Model):
    """Thresholds of a site. Percentages of load are of ship design MBL. House rules, no published source.

    `return_years`: rigged years of the return-level peak; `return_gap_h`: excursions further apart are of two clusters.

    Advice: a line is to be turned end for end when its worse zone has used `turn_share` and over `turn_ratio` times the
    other; cropped when a contact band has used over `crop_share` and more than the outboard length; inspected after a
    peak above `inspect_peak_share` of the strength left; its sensor looked at when under `coverage_share` of its rigged
    time is observed. `band_width_m`: a contact that moved by less lies on the worn band still. `limits`: the company's
    own.

    Events: what each is made of stands in `pipeline.events`, file by file. `tending_modes`: the states of a winch-mode
    channel in which the winch is under power. `mooring_gap_h`: lines made fast, or let go, less than this apart belong
    to one making fast, or one letting go. `bin_observed_pct`: how much of ten minutes must be observed to count.

    Gauges, registers, clocks: an interval without a line is a zero check if it is at least `zero_check_s` long, and a
    zero has moved when it is off by more than the calibration's uncertainty, else `zero_change_pct` of its reference,
    the lesser of its capacity and of what its lines may bear; a channel bears a load above `loaded_pct` of that;
    registered times are contradicted, and clocks apart, beyond `rigging_time_s` and `clock_offset_s`; offsets are
    sought up to `clock_most_s`. `calibration_required`: that a channel in use has no calibration is a finding.

    Events of several lines: `surge_*` as in `pipeline.events.surge`; events of which the next begins within
    `episode_gap_s` of the end of those before are one episode.
    """

    max_gap_s: Number = Field(default=10.0, gt=0)
    peak_load_pct: Number = Field(default=50.0, gt=0)
    cluster_gap_s: Number = Field(default=60.0, ge=0)
    render_min_pct: Number = Field(default=15.0, ge=0)
    render_rate_m_s: Number = Field(default=0.01, gt=0)
    render_join_s: Number = Field(default=5.0, ge=0)
    render_min_payout_m: Number = Field(default=0.05, ge=0)
    render_window_s: Number = Field(default=2.0, ge=0)
    travel_deadband_m: Number = Field(default=0.02, ge=0)
    tending_modes: tuple[Number, ...] = (1.0, 3.0, 4.0)
    mooring_gap_h: Number = Field(default=2.0, gt=0)
    slack_pct: Number = Field(default=1.0, ge=0)
    slack_join_s: Number = Field(default=10.0, ge=0)
    slack_warning_s: Number = Field(default=60.0, ge=0)
    snap_within_s: Number = Field(default=2.0, gt=0)
    snap_pct: Number = Field(default=15.0, gt=0)
    snap_rate_pct_per_s: Number = Field(default=10.0, gt=0)
    snap_peak_s: Number = Field(default=10.0, ge=0)
    bin_observed_pct: Number = Field(default=80.0, gt=0, le=100)
    sustained_pct: Number = Field(default=25.0, gt=0)
    sustained_time_pct: Number = Field(default=90.0, gt=0, le=100)
    sustained_bins: Whole = Field(default=3, ge=1)
    sustained_alarm_h: Number = Field(default=3.0, gt=0)
    pretension_pct: Number = Field(default=10.0, gt=0)
    pretension_loss_pct: Number = Field(default=50.0, gt=0)
    pretension_bins: Whole = Field(default=2, ge=1)
    loss_from_pct: Number = Field(default=5.0, gt=0)
    loss_from_mean_pct: Number = Field(default=50.0, ge=0)
    loss_mean_s: Number = Field(default=60.0, gt=0)
    loss_fall_s: Number = Field(default=0.5, gt=0)
    loss_stay_s: Number = Field(default=10.0, gt=0)
    loss_before_s: Number = Field(default=10.0, gt=0)
    alarm_peak_pct: Number = Field(default=70.0, gt=0)
    alarm_snap_pct: Number = Field(default=50.0, gt=0)
    alarm_payout_m: Number = Field(default=1.0, ge=0)
    surge_min_pct: Number = Field(default=3.0, gt=0)
    surge_times: Number = Field(default=5.0, gt=0)
    surge_join_s: Number = Field(default=60.0, ge=0)
    episode_gap_s: Number = Field(default=120.0, ge=0)
    zero_check_s: Number = Field(default=300.0, gt=0)
    zero_change_pct: Number = Field(default=1.0, gt=0)
    loaded_pct: Number = Field(default=0.25, gt=0)
    rigging_time_s: Number = Field(default=600.0, gt=0)
    clock_offset_s: Number = Field(default=2.0, gt=0)
    clock_most_s: Number = Field(default=300.0, gt=0)
    calibration_required: bool = False
    settle_s: Number = Field(default=2.0, ge=0)
    retire_pct: Number = Field(default=75.0, gt=0, le=100)
    turn_share: Number = Field(default=0.5, gt=0)
    turn_ratio: Number = Field(default=2.0, ge=1)
    crop_share: Number = Field(default=0.5, gt=0)
    inspect_peak_share: Number = Field(default=0.5, gt=0)
    coverage_share: Number = Field(default=0.5, ge=0, le=1)
    band_width_m: Number = Field(default=2.0, ge=0)
    limits: Limits | None = None
    forecast_days: Whole = Field(default=30, ge=1)
    return_years: Number = Field(default=10.0, gt=0)
    return_gap_h: Number = Field(default=24.0, ge=1)
    quality: QualityPolicy = Field(default_factory=QualityPolicy)

    @model_validator(mode="after")
    def _survives_a_midnight(self) -> Self:
        # Days are made apart and joined: what slips through a midnight must be seen whole from both sides.
        if self.max_gap_s + max(self.render_window_s, self.render_join_s) > EDGE_S:
            raise ValueError(
                f"max_gap_s, with render_window_s or render_join_s, must not be more than {EDGE_S:g} s together"
            )
        looks_s = (self.snap_within_s, self.snap_peak_s, self.loss_mean_s, self.loss_stay_s, self.loss_before_s)
        if self.max_gap_s + self.loss_fall_s + max(looks_s) > EDGE_S:
            raise ValueError(
                f"max_gap_s and loss_fall_s, with the longest of snap_within_s, snap_peak_s, loss_mean_s, loss_stay_s "
                f"and loss_before_s, must not be more than {EDGE_S:g} s together"
            )
        return self


class SiteConfig(Model):
    """The whole of `site.toml`."""

    site: SiteInfo
    policy: Policy = Field(default_factory=Policy)


class TextRules(Model):
    """How the bytes of a delimited log are text. `missing` sentinels compare as text after stripping.

    `header_line` 0: no header; the columns are then named "1", "2" and so on.
    """

    encoding: str = "utf-8"
    separator: str = ","
    decimal: Literal[".", ","] = "."
    header_line: Whole = Field(default=1, ge=0)
    missing: tuple[str, ...] = ()
    final_newline: bool = Field(default=True, strict=True)

    # Stripping would turn a tab separator into nothing.
    model_config = ConfigDict(str_strip_whitespace=False)

    @field_validator("encoding")
    @classmethod
    def _is_a_text_encoding(cls, name: str) -> str:
        try:
            codecs.lookup(name)
            "".encode(name)
        except LookupError:
            raise ValueError('expected a text encoding, such as "utf-8" or "cp1252"') from None
        return name

    @field_validator("separator")
    @classmethod
    def _is_one_plain_character(cls, mark: str) -> str:
        if len(mark) != 1 or not mark.isascii() or mark.isalnum() or mark in "\r\n\0\"'+-.":
            raise ValueError("expected one ASCII character that no number, name or line end holds")
        return mark

    @model_validator(mode="after")
    def _separator_is_not_the_decimal_mark(self) -> Self:
        if self.separator == self.decimal:
            raise ValueError("separator and decimal must differ")
        return self


class TimeRules(Model):
    """Where a row's time is and how it is written; `fold` settles an otherwise undecidable repeated hour."""

    column: str | None = None
    format: str | None = None
    zone: Name = "UTC"
    prefix: Literal["rfc3339"] | None = None
    fold: Literal[0, 1] | None = None

    @field_validator("format")
    @classmethod
    def _is_a_known_format(cls, text: str | None) -> str | None:
        if text is not None and text not in ("rfc3339", "epoch_s", "epoch_ms") and "%" not in text:
            raise ValueError('expected "rfc3339", "epoch_s", "epoch_ms" or a pattern like "%Y-%m-%d %H:%M:%S"')
        return text


class RowRules(Model):
    """Only for long logs: the column that names the place."""

    key: Name


class ValueRule(Model):
    """One column (or transducer) and the channel it feeds; "{key}" in `channel` is the row's key."""

    column: Name | None = None
    transducer: Name | None = None
    channel: Name
    unit: Name | None = None
    words: dict[str, Number] | None = None


class Layout(Model):
    """How one kind of raw log is read. `match` is a glob on the file name, without .gz or .zst."""

    name: Name
    reader: Literal["delimited", "sentences"]
    match: Name
    text: TextRules = Field(default_factory=TextRules)
    time: TimeRules
    rows: RowRules | None = None
    value: tuple[ValueRule, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _says_what_its_reader_needs(self) -> Self:
        if "/" in self.match:
            raise ValueError("match is compared with the file's name alone and may not hold '/'")
        if self.reader == "delimited":
            self._check_delimited()
        else:
            self._check_sentences()
        for what in ("column", "transducer", "channel"):
            named = [getattr(rule, what) for rule in self.value if getattr(rule, what) is not None]
            twice = next((name for name in named if named.count(name) > 1), None)
            if twice is not None:
                raise ValueError(f"two [[value]] tables name the same {what} {twice!r}")
        return self

    def _check_delimited(self) -> None:
        if self.time.column is None or self.time.format is None or self.time.prefix is not None:
            raise ValueError("a delimited log needs [time] column and format, and no prefix")
        for rule in self.value:
            if rule.column is None or rule.unit is None or rule.transducer is not None:
                raise ValueError(f"[[value]] of {rule.channel!r} needs column and unit, and no transducer")
            keyed = rule.channel.replace("{key}", "")
            if "{" in keyed or "}" in keyed:
                raise ValueError(f"channel {rule.channel!r} may hold no braces other than {{key}}")
            if ("{key}" in rule.channel) != (self.rows is not None):
                raise ValueError(f"channel {rule.channel!r}: {{key}} goes together with a [rows] key")

    def _check_sentences(self) -> None:
        if self.time.prefix is None or self.time.column is not None or self.time.format is not None:
            raise ValueError('a log of sentences needs [time] prefix = "rfc3339", and no column or format')
        if self.rows is not None:
            raise ValueError("a log of sentences has no [rows]; name each transducer in a [[value]]")
        for rule in self.value:
            if rule.transducer is None or rule.column is not None or rule.words is not None:
                raise ValueError(f"[[value]] of {rule.channel!r} needs transducer, and no column or words")
            if rule.unit is not None:
                raise ValueError(f"[[value]] of {rule.channel!r} has a unit; a sentence carries its own")
