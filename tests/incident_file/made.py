"""An incident made up by hand, with something of everything in it, for tests of page, PDF and seal.

Berth, ship, lines and every figure are invented. `HOSTILE` stands where names and texts of registers may stand: nothing
may obey it, neither a browser nor a typesetter.
"""

from __future__ import annotations

import hashlib
import math
from typing import Any

from pipeline.incident.record import (
    VERSION,
    Asked,
    BerthLine,
    Call,
    Clock,
    ClockInstant,
    ClockWindow,
    Days,
    Doubt,
    ErrorRate,
    Evidence,
    Explanation,
    Figure,
    Happening,
    Incident,
    Life,
    LineLoad,
    Load,
    Order,
    PartA,
    PartB,
    PastDay,
    Point,
    RawFile,
    Ref,
    RegisterRow,
    Residual,
    Sensitive,
    Share,
    Spent,
    Trace,
    ZoneLife,
)
from schemas.times import rfc3339_us

HOSTILE = '</script><img src=x onerror=alert(1)> #panic("x") $x$ *bold* \\ `raw` {{ 7 * 7 }} \x1b[31m'
AT_US = rfc3339_us("2026-10-25T00:31:12.4Z")  # 02:31 of the hour that comes twice, by the clock on the wall
SECOND = 1_000_000
CALL_FROM_US, CALL_TO_US = AT_US - 20 * 3600 * SECOND, AT_US + 6 * 3600 * SECOND
ARCHIVE = {
    "site.toml": b'[site]\nid = "quay-9"\nname = "Quay 9"\ntimezone = "Europe/Berlin"\n',
    "channels.csv": b"channel,quantity\n",
    "specs/hmpe-44.toml": b'id = "hmpe-44"\n',
}
RAW = b"at;W07\n" + b"".join(b"%d;%d\n" % (i, i * i % 97) for i in range(400))
RAW_SHA = hashlib.sha256(RAW).hexdigest()
LINES = (("L07", "stern"), ("L08", "stern"), ("L09", "stern"), ("L05", "spring"), ("L03", "breast"), ("L01", "head"))


class _Numbers:
    """Numbers of figures, in the order asked for."""

    def __init__(self) -> None:
        self._next: dict[str, int] = {}

    def __call__(self, section: str) -> str:
        self._next[section] = self._next.get(section, 0) + 1
        return f"{section}.{self._next[section]}"


def ref(line_no: int, channel: str = "W07-tension", value: float | None = 812.5) -> Ref:
    return Ref(RAW_SHA, "winches_20261025.csv", line_no, channel, AT_US - line_no * SECOND // 10, value)


def made_incident() -> Incident:
    """The same incident every time."""
    number = _Numbers()

    def figure(section: str, what: str, value: Any, unit: str, **more: Any) -> Figure:
        key = f"{section}/{what}".replace(" ", "-")
        how = more.pop("how", "the largest reading of the stretch; house rule")
        return Figure(number(section), key, what, value, unit, how, **more)

    def unknown(section: str, what: str, unit: str, why: str) -> Figure:
        return figure(section, what, None, unit, not_known=why)

    return Incident(
        version=VERSION,
        asked=Asked("quay-9", "L07", AT_US, 30.0),
        site_name="Quay 9",
        call=Call(
            ship=HOSTILE,
            from_us=CALL_FROM_US,
            to_us=CALL_TO_US,
            until_us=CALL_TO_US,
            all_fast_us=CALL_FROM_US + 3600 * SECOND,
            first_let_go_us=CALL_TO_US - 1800 * SECOND,
            window_from_us=AT_US - 1800 * SECOND,
            window_to_us=AT_US + 1800 * SECOND,
            lines=tuple(line for line, _ in LINES),
            design_mbl_kn=1300.0,
        ),
        reference_logger="winches",
        part_a=_part_a(figure, unknown, number),
        part_b=_part_b(figure, unknown, number),
        evidence=Evidence(
            raw_files=(
                RawFile(RAW_SHA, "winches_20261025.csv", len(RAW), "winches", 401, 0, None, None, ("call", "history")),
            ),
            places=("W07",),
            first_day="2026-10-24",
            last_day="2026-10-25",
            channels=("W07-tension",),
            archive=tuple((name, "0" * 64) for name in ARCHIVE),
        ),
    )


def _part_a(figure: Any, unknown: Any, number: Any) -> PartA:
    loss = _happening(figure, number, "load-loss", "L07", 0, "lost all its load and bore none again", interval=300_000)
    sequence = (
        _happening(figure, number, "peak-load", "L07", -95, "bore 905 kN, 69.6 % of ship design MBL"),
        _happening(figure, number, "brake-held", "L07", -40, f"its brake held above the setting; {HOSTILE}"),
        loss,
        _happening(figure, number, "take-up", "L08", 1, "took up load"),
        _happening(figure, number, "brake-render", "L08", 4, "its brake let go at 792 kN and paid out 0.31 m"),
        _happening(figure, number, "brake-render", "L09", 6, "its brake let go at 787 kN and paid out 0.44 m"),
        _happening(figure, number, "snap-load", "L05", 9, "from slack to 301 kN within 1.2 s"),
        _happening(figure, number, "in-bounds", None, 260, "all loads were below half of ship design MBL again"),
        _happening(figure, number, "gap", "L01", 300, "no readings for 42 s", known=False),
        _happening(figure, number, "made-fast", "L07", -20 * 3600, "made fast", in_window=False),
    )
    apart = figure("A-3", "L07 to L08", 3.4, "s", low=2.9, high=3.9, of_figures=("A-2.3", "A-2.5"))
    no_order = figure("A-3", "L08 to L09", 2.0, "s", low=-0.4, high=4.4)
    return PartA(
        loss=loss.number,
        loss_text="L07 lost its load between 00:31:12.1Z and 00:31:12.4Z; it bore none again. A possible parting.",
        first_to_go="L07",
        first_text="No other line of the call lost its load.",
        instant=figure("A-2", "instant of the loss", AT_US, "us UTC", low=AT_US - 300_000, high=AT_US, refs=(ref(7),)),
        clock_method="the lag at which channels of two loggers explain each other best",
        clocks=_clocks(figure, unknown),
        sequence=sequence,
        orders=(
            Order("A-3a", loss.number, sequence[4].number, True, "L07 lost its load before L08 rendered", apart),
            Order("A-3b", sequence[4].number, sequence[5].number, False, "which came first is not claimed", no_order),
        ),
        load=_load(figure, unknown),
        berth=tuple(_berth_line(figure, unknown, i, line, role) for i, (line, role) in enumerate(LINES)),
        doubts=(
            Doubt(
                "A-6a",
                "rate",
                "H1 to H6",
                "read once a second",
                "a peak between two readings is not seen: highest loads are lower bounds",
                "strong",
                ("A-4.1",),
                figure("A-6", "interval of readings", 1.0, "s"),
                (ref(3),),
            ),
            Doubt(
                "A-6b", "quarantine", HOSTILE, "two rows were quarantined", "none in the window", "slight", (), None, ()
            ),
        ),
        traces=tuple(_traces()),
        caution="Lines under tension kill: keep clear. No figure here says where it is safe to stand.",
    )


def _clocks(figure: Any, unknown: Any) -> tuple[Clock, ...]:
    none = unknown("A-1", "offset of the cells' logger", "s", "its channels share no motion with the reference")
    return (
        Clock(
            "winches",
            ("W07-tension", "W08-tension"),
            True,
            figure("A-1", "offset of the reference", 0.0, "s"),
            figure("A-1", "drift of the reference", 0.0, "s/h"),
            None,
            "the reference: the lost line's own logger",
            (),
            (),
        ),
        Clock(
            "pins-north",
            ("H1-tension",),
            False,
            figure("A-1", "offset of pins-north", 41.37, "s", low=41.25, high=41.49, refs=(ref(11), ref(12))),
            figure("A-1", "drift of pins-north", 0.02, "s/h", low=-0.01, high=0.05),
            0.06,
            "motion shared by the springs; 14 windows of ten minutes, 12 kept",
            tuple(ClockWindow(AT_US + i * 600 * SECOND, 41.3 + i / 100, 0.1, 0.8, i != 2) for i in range(-3, 3)),
            (ClockInstant("take-up", "L05", AT_US, AT_US + 41 * SECOND, 41.0, 42.0, False, True),),
        ),
        Clock("cells", ("C1",), False, none, unknown("A-1", "drift", "s/h", "no offset"), None, "not possible", (), ()),
    )


def _load(figure: Any, unknown: Any) -> Load:
    def line(name: str, role: str, kn: float) -> LineLoad:
        return LineLoad(
            name,
            name == "L07",
            role,
            figure("A-4", f"highest of {name}", kn, "kN", at_least=True, refs=(ref(7), ref(8)), of_lines=2),
            figure("A-4", f"highest of {name} in the call", kn + 20, "kN", at_least=True, refs=(ref(9),)),
            unknown("A-4", f"highest of {name} ever", "kN", "no record before the call"),
            figure("A-4", f"{name} of ship design MBL", kn / 13, "%", of_figures=("A-4.1",)),
            figure("A-4", f"{name} of break force", kn / 13.7, "%"),
            unknown("A-4", f"{name} of brake setting", "%", "measured at a hook"),
            figure("A-4", f"rank of {name}", 1, "1", how="among 412 peaks"),
        )

    def share(name: str, before: float, after: float, *, stands_out: bool | None) -> Share:
        return Share(
            name,
            "stern",
            name == "L07",
            figure("A-4", f"{name} before", before, "kN"),
            figure("A-4", f"{name} after", after, "kN"),
            figure("A-4", f"{name} before, of its role", before / 20, "%"),
            figure("A-4", f"{name} after, of its role", after / 14, "%"),
            figure("A-4", f"{name} took up", after - before, "kN"),
            figure("A-4", f"{name} usually varies", 31.0, "kN"),
            stands_out,
        )

    def not_possible(what: str, unit: str) -> Figure:
        found: Figure = unknown("A-4", what, unit, "no lead geometry is registered")
        return found

    return Load(
        lines=tuple(line(name, role, 905.0 - 90 * i) for i, (name, role) in enumerate(LINES)),
        sharing=(
            share("L07", 790.0, 1.5, stands_out=None),
            share("L08", 640.0, 870.0, stands_out=True),
            share("L09", 610.0, 640.0, stands_out=False),
        ),
        residual=Residual(
            False,
            "no lead geometry is registered",
            not_possible("force ahead", "kN"),
            not_possible("force athwart", "kN"),
            not_possible("moment", "kN m"),
        ),
    )


def _berth_line(figure: Any, unknown: Any, i: int, line: str, role: str) -> BerthLine:
    lost = line == "L07"
    registered = role != "breast"
    return BerthLine(
        line=line,
        tails=(f"T{line[1:]}",),
        role=role if line != "L01" else None,
        place=f"W{line[1:]}",
        lost=lost,
        state="lost" if lost else "rendered" if line in ("L08", "L09") else "bore load",
        chock_ahead_m=(-120.0 + 6 * i if role == "stern" else 60.0 + 8 * i) if registered else None,
        chock_athwart_m=12.0 if registered else None,
        lead_deg=205.0 - 8 * i if role == "stern" else None,
        lead_down_deg=15.0 if role == "stern" else None,
        brake_set_kn=780.0,
        limit_kn=650.0,
        before=figure("A-5", f"{line} before", 790.0 - 60 * i, "kN"),
        at=figure("A-5", f"{line} at", 905.0 - 90 * i, "kN"),
        after=figure("A-5", f"{line} after", 0.8, "kN")
        if lost
        else unknown("A-5", f"{line} after", "kN", "not recorded"),
    )


def _happening(
    figure: Any,
    number: Any,
    kind: Any,
    line: str | None,
    seconds: float,
    text: str,
    *,
    interval: int | None = None,
    known: bool = True,
    in_window: bool = True,
) -> Happening:
    at_us = AT_US + round(seconds * SECOND)
    return Happening(
        number=number("H"),
        kind=kind,
        line=line,
        channel=None if line is None else f"W{line[1:]}-tension",
        place=None if line is None else f"W{line[1:]}",
        logger="winches",
        text=text,
        raw_from_us=at_us + 41 * SECOND,
        raw_to_us=at_us + 42 * SECOND,
        from_us=at_us if known else None,
        to_us=at_us + SECOND if known else None,
        low_us=(at_us - (interval or 150_000)) if known else None,
        high_us=at_us + 150_000 if known else None,
        is_interval=interval is not None,
        in_window=in_window,
        kn=700.0 if line else None,
        event="dee60b6a879b0da4",
        loss_class="undetermined" if kind == "load-loss" else None,
        figure=figure(
            "A-2", f"{kind} of {line}", at_us if known else None, "us UTC", refs=(ref(20 + abs(round(seconds)) % 300),)
        )
        if known
        else figure("A-2", f"{kind} of {line}", None, "us UTC", not_known="its logger's clock is not known"),
        figures=(figure("A-2", "paid out", 0.31, "m", low=0.3, high=0.32, refs=(ref(31),)),)
        if kind == "brake-render"
        else (),
    )


def _traces() -> list[Trace]:
    found = []
    for i, (line, _) in enumerate(LINES):
        for whole in (False, True):
            from_us, to_us = (CALL_FROM_US, CALL_TO_US) if whole else (AT_US - 1800 * SECOND, AT_US + 1800 * SECOND)
            step = (to_us - from_us) // 1200
            at_us = tuple(range(from_us, to_us, step))
            value = tuple(_kn(i, (at - AT_US) / SECOND) for at in at_us)
            found.append(
                Trace(
                    line,
                    f"W{line[1:]}-tension",
                    f"W{line[1:]}",
                    "winches",
                    "tension",
                    "kN",
                    whole,
                    line != "L01",
                    3600,
                    at_us,
                    value,
                )
            )
    at_us = tuple(range(AT_US - 60 * SECOND, AT_US + 60 * SECOND, SECOND))
    payout = tuple(0.0 if at < AT_US + 4 * SECOND else 0.31 for at in at_us)
    found.append(Trace("L08", "W08-payout", "W08", "winches", "payout", "m", False, True, 120, at_us, payout))
    return found


def _kn(i: int, s: float) -> float | None:
    if i == 5 and 300 < s < 342:
        return None
    if i == 0 and s >= 0:
        return 0.8
    squall = math.exp(-((s / 400) ** 2))
    return round(300 - 20 * i + (500 - 60 * i) * squall + 40 * math.sin(s / 7 + i) * (0.3 + squall), 1)


def _part_b(figure: Any, unknown: Any, number: Any) -> PartB:
    def zone(name: Any, outboard: bool) -> ZoneLife:
        return ZoneLife(
            name,
            outboard,
            figure("B-1", f"fatigue of zone {name}", 0.01185, "severity index", refs=(ref(41),)),
            unknown("B-1", f"creep of zone {name}", "severity index", "no [creep] in the spec"),
            figure("B-1", f"abrasion of zone {name}", 3.2e-5, "severity index", of_figures=("B-7a",)),
            figure("B-1", f"open cycles of zone {name}", 4.01e-5, "severity index"),
            figure("B-1", f"total of zone {name}", 0.01189, "severity index"),
        )

    life = Life(
        line="L07",
        part="main",
        basis="severity index",
        basis_reasons=("the curve is invented for the demo",),
        not_reckoned=("creep: no [creep] in the spec",),
        not_modelled=("cuts", "twist"),
        opening=unknown("B-1", "opening", "severity index", "service before the first record is unknown"),
        zones=(zone("a", True), zone("b", False)),
        rigged=figure("B-1", "rigged", 162000.0, "s", of_registers=(RegisterRow("rigging.csv", 2, HOSTILE),)),
        observed=figure("B-1", "observed", 91.2, "%"),
        strength=(figure("B-2", "strength left", 93.1, "%", how="[strength_left] of the spec, invented"),),
        energy=(figure("B-2", "elastic energy of line and tail", 412.0, "kJ", low=300.0, high=560.0),),
        days=(Days("B-7a", "L07", "a", (PastDay("2026-10-24", "W07-tension", (RAW_SHA,)),)),),
    )
    return PartB(
        lives=(life,),
        spent=(
            Spent(
                number("S"),
                "day",
                AT_US - 86400 * SECOND,
                AT_US,
                "the squall of 24 October",
                figure("B-3", "life of the day", 0.0091, "severity index"),
                (),
            ),
            Spent(number("S"), "service", AT_US - 10**12, AT_US - 10**12, f"inspected: {HOSTILE}", None, ()),
        ),
        sensitivity=(
            Sensitive(
                "B-4a", "A-4.1", "loss_fall_s", "s", 0.5, "house rule", ((0.25, 905.0), (1.0, None)), "nothing moves"
            ),
        ),
        error_rates=(
            ErrorRate("B-5a", "load-loss", 1.0, 96.0, None, 210, "report seeds", "make bench-detect", "found"),
        ),
        error_rates_text="True of our simulator only.",
        explanations=(
            Explanation(
                "B-6a",
                "overload of a sound line",
                (Point("the highest load recorded is 69.6 % of ship design MBL, a lower bound", ("A-4.1",)),),
                (Point("it had borne as much before", ("A-4.2", "B-1.1")),),
                ("whether the rope was sound where it parted",),
            ),
            Explanation("B-6b", "chafe or cut", (), (), ("anything: no log records it",)),
        ),
        no_verdict="The order of the rows means nothing. No cause is named.",
        caution="A severity index is never a percent of life.",
    )
