"""A rope's spec: what is worked out from what is given, and every refusal in the keeper's words."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import RegisterError
from pipeline.registers import read_document
from schemas.specs import PUBLISHED, FatigueCurve, Spec

ROPE = (
    'id = "rope-44"\nmaterial = "polyester"\nconstruction = "8-strand"\ndiameter_mm = 44\n'
    "mass_kg_per_m = 1.3\nbreak_force_kn = 520\n"
)
SOURCE = 'source = "invented for the tests"\n'
FATIGUE = "[fatigue]\na = 3.2\nb = 0.0\nm = 5.0\n" + SOURCE
CREEP = (
    "[creep]\nlog10_tau0_s = -12.0\nu0_kj_mol = 150.0\ngamma_kj_mol = 90.0\nfloor = 0.1\n"
    "fitted_load = [0.2, 0.8]\nfitted_c = [5, 60]\n" + SOURCE
)
HEAT = "[heat]\nloss_factor = 0.05\nstiffness = 10\nconductivity_w_mk = 0.2\nspecific_heat_j_kgk = 1500\n" + SOURCE
ABRASION = "[abrasion]\nfriction = 0.15\nstiffness = 12\nallowable_work_kj = { smooth = 400, rough = 80 }\n" + SOURCE
BENDING = "[bending]\nratio = [1, 3, 8]\nstrength = [0.5, 0.8, 1.0]\n" + SOURCE
STRENGTH_LEFT = "[strength_left]\nexponent = 3\nat_end = 0.6\n" + SOURCE
STIFFNESS = "[stiffness]\nstatic = 9\n" + SOURCE
WHOLE = ROPE + FATIGUE + CREEP + HEAT + ABRASION + BENDING + STRENGTH_LEFT + STIFFNESS


def spec(text: str) -> Spec:
    return read_document("specs/rope-44.toml", text.encode(), Spec)


def fatigue(keys: str) -> FatigueCurve:
    return spec(f"{ROPE}[fatigue]\n{keys}\n").fatigue


def refusal(text: str) -> str:
    with pytest.raises(RegisterError) as caught:
        spec(text)
    assert caught.value.file == "specs/rope-44.toml"
    return str(caught.value)


def test_a_whole_spec_is_read_with_a_source_in_every_table() -> None:
    found = spec(WHOLE)
    tables = (
        found.fatigue,
        found.creep,
        found.heat,
        found.abrasion,
        found.bending,
        found.strength_left,
        found.stiffness,
    )
    assert [None if table is None else table.source for table in tables] == ["invented for the tests"] * 7
    assert [None if table is None else table.calibrated for table in tables] == [False] * 7
    assert found.abrasion is not None
    assert found.abrasion.allowable_work_kj.worn is None


def test_a_table_that_is_left_out_is_none_and_not_a_default() -> None:
    found = spec(ROPE + FATIGUE)
    assert {found.creep, found.heat, found.abrasion, found.bending, found.strength_left, found.stiffness} == {None}


def test_a_curve_without_further_terms_has_none_and_includes_what_a_rope_test_contains() -> None:
    found = spec(ROPE + FATIGUE).fatigue
    assert (found.reference_strength, found.factor) == (1.0, 1.0)
    absent = (found.m2, found.r2, found.scatter, found.valid_r, found.valid_lm, found.compression_below)
    assert absent == (None,) * 6
    assert found.includes == ("internal-abrasion", "creep", "heat")


@pytest.mark.parametrize("name", [name for name, row in PUBLISHED.items() if not row.stress])
def test_a_published_curve_by_name_is_the_printed_one(name: str) -> None:
    found, printed = fatigue(f'published = "{name}"'), PUBLISHED[name]
    assert (found.a, found.b, found.m, found.source) == (printed.a, printed.b, printed.m, printed.source)


@given(st.floats(100, 3000), st.floats(1, 1000))
def test_a_curve_in_megapascal_gives_the_same_life_over_break_force(at_break_mpa: float, stress_mpa: float) -> None:
    found = fatigue(f'published = "dnv-e301-spiral-strand"\nstress_at_break_mpa = {at_break_mpa!r}')
    # N = 1.7e17 * S^-4.8 (DNV-OS-E301 Ch.2 Sec.2, read in public code), against 10^a * R^-m.
    by_stress = math.log10(1.7e17) - 4.8 * math.log10(stress_mpa)
    assert found.a - found.m * math.log10(stress_mpa / at_break_mpa) == pytest.approx(by_stress, abs=1e-9)


@given(st.floats(0.01, 0.99), st.floats(0.5, 20))
def test_a_curve_from_a_thousand_cycle_level_passes_through_it(level: float, m: float) -> None:
    found = fatigue(f"thousand_cycle_level = {level!r}\nm = {m!r}\n{SOURCE}")
    assert found.a - m * math.log10(level) == pytest.approx(3.0, abs=1e-9)
    assert (found.b, found.m) == (0.0, m)


def test_published_and_derived_curves_take_the_further_terms() -> None:
    terms = "m2 = 9\nr2 = 0.1\nscatter = 0.2\nvalid_r = [0.05, 0.5]\nvalid_lm = [0, 0.4]\nreference_strength = 0.95\n"
    for keys in ('published = "api-2sm-polyester"\n', f"thousand_cycle_level = 0.7\nm = 6\n{SOURCE}"):
        found = fatigue(keys + terms)
        assert (found.m2, found.r2, found.scatter, found.valid_r) == (9, 0.1, 0.2, (0.05, 0.5))
        assert (found.valid_lm, found.reference_strength) == ((0, 0.4), 0.95)


CURVES: list[tuple[str, list[str]]] = [
    ('published = "api-2sm-nylon"', ["no published curve is called 'api-2sm-nylon'", "api-2sm-polyester"]),
    ("published = 3", ["no published curve is called 3"]),
    ('published = ["api-2sm-polyester"]', ["no published curve is called ['api-2sm-polyester']"]),
    ('published = "api-2sm-polyester"\na = 4.4', ["published gives a: leave it out"]),
    ('published = "api-2sm-polyester"\nb = 0', ["published gives b: leave it out"]),
    ('published = "api-2sm-polyester"\nm = 5.2', ["published gives m: leave it out"]),
    ('published = "api-2sm-polyester"\nsource = "mine"', ["published gives source: leave it out"]),
    ('published = "api-2sm-polyester"\nthousand_cycle_level = 0.7', ["published gives thousand_cycle_level"]),
    ('published = "dnv-e301-stranded-wire"', ["curves in MPa need stress_at_break_mpa", "metallic area"]),
    ('published = "api-2sm-polyester"\nstress_at_break_mpa = 900', ["curves in MPa need", "others have none"]),
    ('published = "dnv-e301-stranded-wire"\nstress_at_break_mpa = 0', ["stress_at_break_mpa above 0"]),
    ('published = "dnv-e301-stranded-wire"\nstress_at_break_mpa = -5', ["stress_at_break_mpa above 0"]),
    ('published = "dnv-e301-stranded-wire"\nstress_at_break_mpa = nan', ["stress_at_break_mpa above 0"]),
    ('published = "dnv-e301-stranded-wire"\nstress_at_break_mpa = "1570"', ["stress_at_break_mpa above 0"]),
    (f"thousand_cycle_level = 0.7\nm = 6\na = 3\n{SOURCE}", ["thousand_cycle_level gives a: leave it out"]),
    (f"thousand_cycle_level = 0.7\nm = 6\nb = 0\n{SOURCE}", ["thousand_cycle_level gives b: leave it out"]),
    (f"thousand_cycle_level = 0.7\n{SOURCE}", ["thousand_cycle_level between 0 and 1, and a slope m above 0"]),
    (f"thousand_cycle_level = 0.7\nm = 0\n{SOURCE}", ["a slope m above 0"]),
    (f'thousand_cycle_level = 0.7\nm = "6"\n{SOURCE}', ["a slope m above 0"]),
    (f"thousand_cycle_level = 0\nm = 6\n{SOURCE}", ["thousand_cycle_level between 0 and 1"]),
    (f"thousand_cycle_level = 70\nm = 6\n{SOURCE}", ["thousand_cycle_level between 0 and 1"]),
    (f"thousand_cycle_level = nan\nm = 6\n{SOURCE}", ["thousand_cycle_level between 0 and 1"]),
    ("thousand_cycle_level = 0.7\nm = 6", ["missing key 'fatigue.source'"]),
    (f"a = 3.2\nb = 0\n{SOURCE}", ["missing key 'fatigue.m'"]),
    ("a = 3.2\nb = 0\nm = 5", ["missing key 'fatigue.source'"]),
]
"""[fatigue] in whole, and what is said of it."""


@pytest.mark.parametrize(("keys", "pieces"), CURVES)
def test_a_curve_that_is_not_one_is_refused_in_plain_words(keys: str, pieces: list[str]) -> None:
    said = refusal(f"{ROPE}[fatigue]\n{keys}\n")
    for piece in pieces:
        assert piece in said


TERMS: list[tuple[str, list[str]]] = [
    ("m2 = 9", ["m2", "r2", "go together"]),
    ("r2 = 0.1", ["m2", "r2", "go together"]),
    ("m2 = 0\nr2 = 0.1", ["'fatigue.m2'", "greater than 0"]),
    ("m2 = 9\nr2 = 0", ["'fatigue.r2'", "greater than 0"]),
    ("factor = 0", ["'fatigue.factor'", "greater than 0"]),
    ("scatter = -0.1", ["'fatigue.scatter'", "greater than or equal to 0"]),
    ("valid_r = [0.5, 0.1]", ["valid_r must be [from, to], from below to"]),
    ("valid_r = [0.5, 0.5]", ["valid_r must be [from, to], from below to"]),
    ("valid_r = [0.5]", ["'fatigue.valid_r"]),
    ("valid_r = 0.5", ["'fatigue.valid_r'", "found 0.5"]),
    ("valid_lm = [0.4, 0.1]", ["valid_lm must be [from, to], from below to"]),
    ("valid_lm = [0.1, inf]", ["'fatigue.valid_lm", "found inf"]),
    ("reference_strength = 0", ["'fatigue.reference_strength'", "greater than 0"]),
    ("reference_strength = nan", ["'fatigue.reference_strength'", "found nan"]),
    ("compression_below = -0.1", ["'fatigue.compression_below'", "greater than or equal to 0"]),
    ("compression_below = 1", ["'fatigue.compression_below'", "less than 1"]),
    ("stress_at_break_mpa = 0", ["'fatigue.stress_at_break_mpa'", "greater than 0"]),
    ("stress_at_break_mpa = 1570", ["stress_at_break_mpa goes with a published curve", "a, b and m are for ratios"]),
    ('includes = ["heat", "fretting"]', ["'fatigue.includes[2]'", "found 'fretting'"]),
    ('calibrated = "yes"', ["'fatigue.calibrated'", "found 'yes'"]),
    ("scater = 0.2", ["unknown key 'fatigue.scater'", "did you mean 'scatter'?"]),
]
"""A further key of a good curve, and what is said of it."""


@pytest.mark.parametrize(("keys", "pieces"), TERMS)
def test_a_term_of_a_curve_that_may_not_be_is_refused(keys: str, pieces: list[str]) -> None:
    said = refusal(f"{ROPE}{FATIGUE}{keys}\n")
    for piece in pieces:
        assert piece in said


SPOILT: list[tuple[str, str, list[str]]] = [
    ("floor = 0.1", "floor = 0", ["'creep.floor'", "greater than 0"]),
    ("floor = 0.1", "floor = 1", ["'creep.floor'", "less than 1"]),
    ("u0_kj_mol = 150.0", "u0_kj_mol = 0", ["'creep.u0_kj_mol'", "greater than 0"]),
    ("gamma_kj_mol = 90.0", "gamma_kj_mol = -1", ["'creep.gamma_kj_mol'", "greater than 0"]),
    ("fitted_load = [0.2, 0.8]", "fitted_load = [0.8, 0.2]", ["fitted_load must be [from, to], from below to"]),
    ("fitted_c = [5, 60]", "fitted_c = [60, 60]", ["fitted_c must be [from, to], from below to"]),
    ("fitted_c = [5, 60]\n", "", ["missing key 'creep.fitted_c'"]),
    ("fitted_c = [5, 60]", "fitted_c = [5, 60]\nsustained_range = 0", ["'creep.sustained_range'", "greater than 0"]),
    ("loss_factor = 0.05", "loss_factor = 0", ["'heat.loss_factor'", "greater than 0"]),
    ("stiffness = 10\n", "stiffness = -10\n", ["'heat.stiffness'", "greater than 0"]),
    ("conductivity_w_mk = 0.2", "conductivity_w_mk = 0", ["'heat.conductivity_w_mk'", "greater than 0"]),
    ("specific_heat_j_kgk = 1500", "specific_heat_j_kgk = inf", ["'heat.specific_heat_j_kgk'", "found inf"]),
    ("friction = 0.15", "friction = 0", ["'abrasion.friction'", "greater than 0"]),
    ("friction = 0.15", "friction = 1.5", ["'abrasion.friction'", "less than 1"]),
    ("stiffness = 12", "stiffness = 0", ["'abrasion.stiffness'", "greater than 0"]),
    ("smooth = 400", "smooth = 0", ["'abrasion.allowable_work_kj.smooth'", "greater than 0"]),
    ("smooth = 400", "smoth = 400", ["unknown key 'abrasion.allowable_work_kj.smoth'", "did you mean 'smooth'?"]),
    ("ratio = [1, 3, 8]", "ratio = [1, 3]", ["ratio and strength must be of one length"]),
    ("ratio = [1, 3, 8]", "ratio = [1, 3, 3]", ["ratio must ascend, from above 0"]),
    ("ratio = [1, 3, 8]", "ratio = [3, 1, 8]", ["ratio must ascend, from above 0"]),
    ("ratio = [1, 3, 8]", "ratio = [0, 3, 8]", ["ratio must ascend, from above 0"]),
    ("ratio = [1, 3, 8]\nstrength = [0.5, 0.8, 1.0]", "ratio = []\nstrength = []", ["'bending.ratio'", "at least 1"]),
    ("strength = [0.5, 0.8, 1.0]", "strength = [0, 0.8, 1.0]", ["share of break force, above 0 and at most 1"]),
    ("strength = [0.5, 0.8, 1.0]", "strength = [0.5, 0.8, 1.1]", ["share of break force, above 0 and at most 1"]),
    ("exponent = 3", "exponent = 0", ["'strength_left.exponent'", "greater than 0"]),
    ("at_end = 0.6", "at_end = 1", ["'strength_left.at_end'", "less than 1"]),
    ("at_end = 0.6", "at_end = 0", ["'strength_left.at_end'", "greater than 0"]),
    ("static = 9", "static = 0", ["'stiffness.static'", "greater than 0"]),
    ("[stiffness]", "[stifness]", ["unknown key 'stifness'", "did you mean 'stiffness'?"]),
]
"""A piece of a whole spec, what stands there instead, and what is said of it."""


@pytest.mark.parametrize(("old", "new", "pieces"), SPOILT)
def test_a_constant_that_may_not_be_is_refused_in_plain_words(old: str, new: str, pieces: list[str]) -> None:
    assert WHOLE.count(old) == 1, "the piece to spoil must stand exactly once"
    said = refusal(WHOLE.replace(old, new))
    for piece in pieces:
        assert piece in said


@pytest.mark.parametrize("table", [FATIGUE, CREEP, HEAT, ABRASION, BENDING, STRENGTH_LEFT, STIFFNESS])
def test_a_table_of_constants_without_its_source_is_refused(table: str) -> None:
    name = table[1 : table.index("]")]
    for without in ("", 'source = " "\n'):
        said = refusal(WHOLE.replace(table, table.replace(SOURCE, without)))
        assert f"'{name}.source'" in said


@pytest.mark.parametrize("whatever", [None, 3, "api-2sm-polyester", ["a", "b"]])
def test_a_curve_that_is_no_table_is_refused(whatever: Any) -> None:
    with pytest.raises(ValueError, match="FatigueCurve"):
        FatigueCurve.model_validate(whatever)
