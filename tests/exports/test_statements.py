"""Statements on paper: A4, numbered, the same bytes again, figures as `--json` has them; hostile text stays text."""

from __future__ import annotations

import io
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pypdf import PdfReader

from pipeline.exports.setting import file_name
from pipeline.exports.statements import Typesetter, life, months, shown_of
from pipeline.ledger.account import last_site
from pipeline.ledger.statement import statement
from tests.exports.conftest import LINES, Exported
from tests.night.berth import Berth, make_berth, record

MM = 72 / 25.4
Shown = tuple[dict[str, Any], dict[str, Any]]


def text_of(pdf: bytes) -> str:
    words = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages).replace("\u200b", "")
    return " ".join(words.split())


def shown(berth: Berth, line: str) -> Shown:
    """A line's account, and what is laid out of it."""

    def ask(ledger: Any) -> Shown:
        account = statement(ledger, line)
        return account, shown_of(last_site(ledger), account)

    return berth.ask(ask)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    services = "line,at,action,detail\nL1,2026-03-01T00:00:00Z,inspection,nothing found\n"
    tests = "line,zone,at,position_m,condition,break_kn,laboratory\nL1,a,2026-03-01,3,wet,1100,invented for the test\n"
    made = make_berth(
        tmp_path_factory.mktemp("statements") / "b", files={"services.csv": services, "strength_tests.csv": tests}
    )
    made.deliver("hooks_1.csv", record("2026-03-02T06:00", 400))
    made.night(through="2026-03-03")
    return made


def test_it_is_the_same_bytes_when_made_again_and_holds_no_date(plain: Berth) -> None:
    setter = Typesetter()
    pdf = setter.pdf(shown(plain, "L1")[1])
    setter.pdf(shown(plain, "L2")[1])
    assert setter.pdf(shown(plain, "L1")[1]) == Typesetter().pdf(shown(plain, "L1")[1]) == pdf
    told = PdfReader(io.BytesIO(pdf)).metadata
    assert told is not None
    assert (told.creation_date, told.modification_date) == (None, None)


def test_pages_are_a4_and_numbered(plain: Berth) -> None:
    pages = PdfReader(io.BytesIO(Typesetter().pdf(shown(plain, "L1")[1]))).pages
    assert len(pages) >= 2
    for i, page in enumerate(pages, start=1):
        # ISO 216: A4 is 210 mm by 297 mm.
        assert (float(page.mediabox.width) / MM, float(page.mediabox.height) / MM) == pytest.approx((210, 297), abs=0.1)
        assert f"page {i} of {len(pages)}" in page.extract_text()
        assert "No figure is a reason to keep a line longer" in " ".join(page.extract_text().split())


def test_it_tells_the_account_with_its_cautions_and_what_is_not_known(plain: Berth) -> None:
    account, told = shown(plain, "L1")
    text = text_of(Typesetter().pdf(told))
    posted = account["consumed"]["zones"]["a"]["fatigue"]
    assert posted > 0
    for words in (
        account["caution"],
        "Its figures are called: severity index.",
        "never a percent of life and never a date",
        "unknown: what was used before our first record is in no figure here",
        life(posted),
        life(account["pending"]["zones"]["a"]),
        "not reckoned",
        "What was not observed is not zero",
        "Not reckoned: spec rope has no [strength_left]. That is not full strength.",
        "To be retired at 750 kN: 75 % of ship design MBL 1000 kN.",
        "inspection nothing found",
        "1100 kN",
        account["run"]["manifest_sha256"],
        *account["not_modelled"],
        *(one["do"] for one in account["advice_list"]),
    ):
        assert " ".join(words.split()) in text


def test_months_add_up_exactly_and_mechanisms_are_not_added() -> None:
    def entry(day: str, mechanism: str, text: str) -> dict[str, Any]:
        return {"day": day, "zone": "a", "mechanism": mechanism, "life": Decimal(f"{text:0<32}")}

    entries = [
        entry("2026-03-01", "fatigue", "0.000000000000000000000000000001"),
        entry("2026-03-31", "fatigue", "0.25"),
        entry("2026-03-31", "abrasion", "0.5"),
        entry("2026-04-01", "fatigue", "0."),
    ]
    # By hand: two days in March; the least digit is beyond the six that are shown.
    assert months(entries) == [["2026-03", "a", "2", "0.250000", "", "0.500000"], ["2026-04", "a", "1", "0", "", ""]]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "not reckoned"),
        (0, "0"),
        (Decimal("0E-30"), "0"),
        (Decimal("0.000061588218368751314729846075"), "0.0000615882"),
        (Decimal("1.2345655"), "1.23457"),
        (Decimal("0.000000000000000000000000000001"), "0.000000000000000000000000000001"),
    ],
)
def test_a_life_is_shown_with_six_digits_and_written_out(value: Decimal | int | None, text: str) -> None:
    assert life(value) == text


LEAST = {
    "zone": "a",
    "band": "contact band",
    "day": "2026-10-26",
    "peak_kn": 905.2,
    "peak_at": "2026-10-26T05:18:56Z",
    "left_kn": 1362.1,
    "bend": {"ratio": 9.0, "strength": 0.9083, "outside": False, "source": "invented for the test"},
    "peak_share": 0.7316,
    "margin_kn": 332.0,
}
STRENGTH = {
    "reckoned": True,
    "as_if_new": True,
    "source": "invented for the test",
    "basis": "severity index",
    "retirement_kn": 975.0,
    "retirement_of": "75 % of ship design MBL 1300 kN",
    "left_kn": {"a": {"contact band": 1362.1}},
}


@pytest.mark.parametrize(
    ("least", "words"),
    [
        (LEAST, "was 73 % of what was left: 1362 kN, of which it has 0.91 over a bend of ratio 9."),
        ({**LEAST, "bend": None}, "was 73 % of what was left: 1362 kN."),
        ({**LEAST, "peak_share": None, "left_kn": 0.0, "bend": None}, "by the model nothing was left: 0 kN."),
        (None, "No day with a load is known."),
    ],
)
def test_strength_left_says_what_a_bend_takes_of_it_and_that_it_permits_nothing(
    plain: Berth, least: dict[str, Any] | None, words: str
) -> None:
    def ask(ledger: Any) -> dict[str, Any]:
        account = statement(ledger, "L1")
        return shown_of(last_site(ledger), {**account, "strength": {**STRENGTH, "least_margin": least}})

    text = text_of(Typesetter().pdf(plain.ask(ask)))
    assert words in text
    assert "of the rope lying straight, and no permission to use a line" in text
    assert "As if the line had been new at our first record, for its opening is unknown" in text


def test_hostile_names_are_set_as_text_and_stay_in_their_folder(exported: Exported) -> None:
    folder = exported.folder / "statements"
    files = sorted(folder.iterdir())
    assert len(files) == len(LINES)
    for line in LINES:
        text = text_of((folder / file_name(line)).read_bytes())
        assert "".join(line.split()) in text.replace("\u200b", "").replace(" ", "")


@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=300))
def test_any_name_makes_a_file_name_that_cannot_leave_and_is_not_too_long(line: str) -> None:
    name = file_name(line)
    assert Path(name).name == name
    assert len(name.encode()) <= 200
    assert not name.startswith(".")
    assert file_name(line + "x") != name


@pytest.mark.parametrize(
    "text", ["#sys.inputs", "*bold* _x_ $1$", "\\ #{panic()}", "= Heading", "// gone", "[[]](", "`"]
)
def test_nothing_in_a_text_is_obeyed_by_the_typesetter(plain: Berth, text: str) -> None:
    _, told = shown(plain, "L1")
    told["advice"], told["about"] = [[text, text]], [[text, text]]
    assert text.replace(" ", "") in text_of(Typesetter().pdf(told)).replace("\u200b", "").replace(" ", "")
