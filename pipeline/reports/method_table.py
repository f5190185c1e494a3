"""Which of the program's own words make up the page of methods: a literal table, in the order of the page.

What a section shows is what its modules say at their heads, and the public functions and constants that are named here;
the words themselves stand nowhere but in the program. `tests/reports` holds the table to the mechanisms, kinds of
events and checks that there are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Of:
    """A module, and what of it is shown besides its own docstring."""

    module: str
    names: tuple[str, ...] = ()


@dataclass(frozen=True)
class Section:
    """A section of the page. `covers`: which mechanisms, kinds of events or checks it explains. `formulas`: the module
    whose `FORMULAS` are those that `tautlog explain` redoes a day by. `table`: of the specs, whose constants it uses.
    """

    anchor: str
    title: str
    shows: tuple[Of, ...]
    covers: tuple[str, ...] = ()
    formulas: str | None = None
    tables: tuple[str, ...] = ()


@dataclass(frozen=True)
class Part:
    """Sections that belong together."""

    title: str
    sections: tuple[Section, ...]


PARTS: Final[tuple[Part, ...]] = (
    Part(
        "From a reading to a tension",
        (
            Section("units", "Units", (Of("pipeline.units"),)),
            Section("calibration", "Calibration and share", (Of("schemas.registers", ("Calibration", "Rigging")),)),
            Section("flags", "Flags", (Of("pipeline.quality"), Of("pipeline.quality.flags", ("combine", "usable")))),
            Section(
                "checks",
                "Checks of single readings",
                (
                    Of("pipeline.quality.ranges", ("gross_range", "clipped")),
                    Of("pipeline.quality.motion", ("spike", "rate")),
                    Of("pipeline.quality.still", ("flat_line", "stuck_at_zero")),
                    Of("pipeline.quality.codes", ("brake_open", "status_code")),
                ),
                covers=(
                    "gross-range",
                    "clipped",
                    "spike",
                    "rate",
                    "flat-line",
                    "stuck-at-zero",
                    "brake-open",
                ),
            ),
            Section(
                "gauges",
                "Zeros, scales, clocks, registered times",
                (
                    Of("pipeline.quality.zeros", ("zero_check", "change_of", "theil_sen")),
                    Of("pipeline.quality.scales", ("wrong_scales",)),
                    Of("pipeline.quality.clocks", ("offset", "apart")),
                    Of("pipeline.quality.clock_pool", ("offsets",)),
                    Of("pipeline.quality.loads", ("loads",)),
                    Of("pipeline.quality.rigging_times", ("contradictions", "swaps")),
                ),
            ),
        ),
    ),
    Part(
        "What a line felt",
        (
            Section(
                "cycles",
                "Cycles",
                (
                    Of("pipeline.sheets.cycles", ("turning_points", "close_cycles")),
                    Of("pipeline.sheets.fold", ("fold",)),
                    Of("pipeline.sheets.swings", ("bridge",)),
                ),
            ),
            Section(
                "levels",
                "Time at level, coverage, travel",
                (
                    Of("pipeline.sheets.sheet", ("make_sheet",)),
                    Of("pipeline.sheets.travel", ("travel",)),
                    Of("pipeline.wear.cells", ("BIN_US", "CLASS_KN", "middles_kn")),
                ),
            ),
        ),
    ),
    Part(
        "What it used",
        (
            Section(
                "fatigue",
                "Fatigue",
                (
                    Of(
                        "pipeline.wear.fatigue",
                        ("damage", "half_cycles", "pending_units", "cycles_outside", "SERVED_R"),
                    ),
                    Of("pipeline.wear.curves", ("scatter_band", "thousand_cycle_level")),
                    Of("pipeline.wear.lives", ("UNIT_EXPONENT", "to_decimal")),
                    Of("schemas.specs", ("FatigueCurve",)),
                ),
                covers=("fatigue",),
                formulas="pipeline.tracing.explained_fatigue",
                tables=("fatigue",),
            ),
            Section(
                "creep",
                "Creep",
                (
                    Of("pipeline.wear.creep", ("rupture_s", "sustained_bins", "GAS_CONSTANT_J_MOLK")),
                    Of("schemas.specs", ("Creep",)),
                ),
                covers=("creep",),
                formulas="pipeline.tracing.explained_creep",
                tables=("creep",),
            ),
            Section(
                "heat",
                "Rope temperature",
                (
                    Of("pipeline.wear.heat", ("power_w_m", "core_rise_k", "warm", "relax", "STEP_US")),
                    Of("pipeline.wear.convection", ("film_coefficient", "LEAST_RISE_K")),
                    Of("schemas.specs", ("Heat",)),
                ),
                formulas="pipeline.tracing.explained_heat",
                tables=("heat",),
            ),
            Section(
                "abrasion",
                "Abrasion",
                (
                    Of(
                        "pipeline.wear.abrasion",
                        ("capstan", "contact_of", "slip_of", "travel_work_kj", "BESIDE_ROLLERS"),
                    ),
                    Of("pipeline.ledger.bands", ("bands_now", "bands_before")),
                    Of("schemas.specs", ("Abrasion", "AllowableWork")),
                ),
                covers=("abrasion",),
                formulas="pipeline.tracing.explained_abrasion",
                tables=("abrasion",),
            ),
            Section(
                "together",
                "How mechanisms stand together, and the account",
                (
                    Of("pipeline.wear.together", ("adds", "free_length", "RULES")),
                    Of("pipeline.ledger.account", ("exact_sum", "shown", "rigged_us")),
                    Of("pipeline.ledger.basis", ("basis_of", "NOT_ITS_OWN")),
                    Of("pipeline.ledger.along", ("along_of", "outside_of")),
                ),
                formulas="pipeline.tracing.explained_account",
            ),
            Section(
                "strength",
                "Strength left, bends, retirement line",
                (
                    Of("pipeline.wear.strength", ("strength_left_kn", "retirement_kn", "margin")),
                    Of("pipeline.wear.bending", ("strength_share", "wire_bending_factor", "WIRE_FROM")),
                    Of("schemas.specs", ("StrengthLeft", "Bending")),
                ),
                tables=("strength_left", "bending"),
            ),
        ),
    ),
    Part(
        "What happened",
        (
            Section(
                "peak-load",
                "Peak-load",
                (Of("pipeline.events.peak_load", ("whole", "cluster")),),
                covers=("peak-load",),
            ),
            Section(
                "brake-render",
                "Brake-render",
                (
                    Of("pipeline.events.brake_render", ("join", "verdict", "LATE_SHARE")),
                    Of("pipeline.events.brake_slips", ("slips",)),
                    Of("pipeline.events.plateau", ("plateaus", "LEAST_CONFIDENCE", "LEAST_LOST")),
                ),
                covers=("brake-render",),
            ),
            Section(
                "brake-held",
                "Brake-held",
                (Of("pipeline.events.brake_held", ("above_setting", "join")),),
                covers=("brake-held",),
            ),
            Section(
                "brakes",
                "What is known of a brake",
                (
                    Of("pipeline.events.brakes", ("judge", "against", "VERDICTS")),
                    Of(
                        "pipeline.events.drum",
                        ("first_layer_kn", "in_layer_kn", "least_inboard_kn", "WRONG_REELING_HOLDS"),
                    ),
                    Of("pipeline.events.tending"),
                ),
            ),
            Section(
                "load-loss",
                "Load-loss",
                (
                    Of("pipeline.events.load_loss", ("candidates", "join", "BACK_S", "SOON_S", "LATER_S")),
                    Of("pipeline.events.loss_class", ("judge", "fell_slack", "NEEDED")),
                    Of("pipeline.events.take_up", ("aside",)),
                ),
                covers=("load-loss",),
            ),
            Section(
                "snap-load",
                "Snap-load",
                (Of("pipeline.events.snap_load", ("snap_loads", "join")),),
                covers=("snap-load",),
            ),
            Section("slack", "Slack", (Of("pipeline.events.slack", ("runs_of", "join")),), covers=("slack",)),
            Section(
                "sustained-load",
                "Sustained-load",
                (
                    Of("pipeline.events.sustained_load", ("join",)),
                    Of("pipeline.events.bins", ("bins_of", "planned_kn")),
                ),
                covers=("sustained-load",),
            ),
            Section(
                "pretension-loss",
                "Pretension-loss",
                (Of("pipeline.events.pretension_loss", ("join",)),),
                covers=("pretension-loss",),
            ),
            Section(
                "surge",
                "Surge",
                (
                    Of("pipeline.events.surge", ("surges",)),
                    Of("pipeline.events.surge_pulse", ("pulses",)),
                    Of("pipeline.events.surge_marks", ("join",)),
                ),
                covers=("surge",),
            ),
            Section(
                "berth",
                "Calls, balance, episodes, severity",
                (
                    Of("pipeline.events.calls", ("calls", "fast_of")),
                    Of("pipeline.events.balance", ("balance",)),
                    Of("pipeline.events.episodes", ("episodes", "HELD_OPEN_S")),
                    Of(
                        "pipeline.events.severity",
                        (
                            "of_peak_load",
                            "of_brake_render",
                            "of_brake_held",
                            "of_slack",
                            "of_snap_load",
                            "of_sustained_load",
                            "of_pretension_loss",
                            "of_surge",
                            "of_load_loss",
                        ),
                    ),
                    Of("pipeline.events.sound", ("spikes", "stuck", "sound")),
                ),
            ),
        ),
    ),
    Part(
        "What is not known, and what may come",
        (
            Section(
                "unobserved",
                "Unobserved time",
                (
                    Of("pipeline.outlook.unobserved", ("unobserved_price",)),
                    Of("pipeline.outlook.blocks", ("record_of", "stretches", "FEWEST_DAYS")),
                    Of("pipeline.ledger.zone_days", ("gaps_by_day",)),
                    Of("pipeline.ledger.outlook", ("MEASURED_UNOBSERVED",)),
                ),
            ),
            Section(
                "forecast",
                "Forecast",
                (
                    Of("pipeline.outlook.forecast", ("forecast", "FARTHEST_DAYS")),
                    Of("pipeline.ledger.outlook", ("COVERAGE_FOR_A_DATE", "MEASURED_FORECAST", "REACHED_WORDS")),
                ),
            ),
            Section(
                "return-peaks",
                "Rare peaks",
                (
                    Of("pipeline.outlook.extremes", ("cluster_peaks", "fit_tail", "return_level", "YEAR_US")),
                    Of("pipeline.ledger.return_peaks", ("return_peaks_of", "WORDS")),
                ),
            ),
            Section(
                "sampling",
                "Is the logger fast enough; assumed shares",
                (
                    Of("pipeline.outlook.sampling", ("judge_sampling",)),
                    Of("pipeline.outlook.shares", ("banded",)),
                    Of("pipeline.ledger.share_band", ("shares_of",)),
                ),
            ),
        ),
    ),
    Part(
        "What to do, and which rope",
        (
            Section(
                "advice",
                "Advice",
                (
                    Of("pipeline.ledger.advice", ("advise", "CALL_FOR_INSPECTION", "LOOKED_AT", "OFF_ITS_SETTING")),
                    Of("pipeline.ledger.service", ("service_of",)),
                    Of("schemas.specs", ("Limits",)),
                ),
                tables=("limits",),
            ),
            Section(
                "compare",
                "Candidate ropes",
                (
                    Of("pipeline.compare"),
                    Of("pipeline.compare.motion", ("motion_scale",)),
                    Of("pipeline.compare.price", ("price",)),
                    Of("pipeline.compare.rank", ("rank", "stand")),
                    Of("schemas.specs", ("Stiffness",)),
                ),
                tables=("stiffness",),
            ),
        ),
    ),
)
