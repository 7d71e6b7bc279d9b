"""The grammar of rules: what texts mean, laws of the parser, and every mistake at its character."""

from __future__ import annotations

import math
import re
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from asflown.errors import FormulaProblem
from asflown.scenario.formula import (
    Always,
    And,
    Eventually,
    Fall,
    Flag,
    Formula,
    Historically,
    Implies,
    Next,
    Not,
    Once,
    Or,
    Predicate,
    Rise,
    Since,
    Term,
    Until,
    Window,
    operands_of,
    signals_of,
)
from asflown.scenario.measure_formula import parse_measure_formula
from asflown.scenario.model import Rule
from asflown.scenario.rules import parse_formula, parse_rule
from asflown.scenario.signal_names import SIGNALS
from asflown.units import Dimension, symbols
from tests.unit.source import ROOT

LOW = Predicate((Term("height", 1.0),), "<", 3.0, 3.0, Dimension.LENGTH)
FAST = Predicate((Term("speed", 1.0),), ">=", 2.0, 2.0, Dimension.SPEED)
GROUND = Flag("on_ground")

MEANINGS: dict[str, Formula] = {
    "height < 3 m": LOW,
    "height<300cm": LOW,
    "3 m > height": Predicate((Term("height", -1.0),), ">", -3.0, 3.0, Dimension.LENGTH),
    "speed >= 7.2 km/h": FAST,
    "battery > 20 %": Predicate((Term("battery", 1.0),), ">", 0.2, 0.2, Dimension.SHARE),
    "tilt <= 45 deg": Predicate((Term("tilt", 1.0),), "<=", math.pi / 4, math.pi / 4, Dimension.ANGLE),
    "height > 0 m scale 50 cm": Predicate((Term("height", 1.0),), ">", 0.0, 0.5, Dimension.LENGTH),
    "height - 0.5 * distance < 2 m + 1 m": Predicate(
        (Term("height", 1.0), Term("distance", -0.5)), "<", 3.0, 3.0, Dimension.LENGTH
    ),
    "height < 3 m + distance": Predicate(
        (Term("height", 1.0), Term("distance", -1.0)), "<", 3.0, 3.0, Dimension.LENGTH
    ),
    "-north < 3 m": Predicate((Term("north", -1.0),), "<", 3.0, 3.0, Dimension.LENGTH),
    "on_ground": GROUND,
    "not armed": Not(Flag("armed")),
    "(on_ground)": GROUND,
    "abs(north) < 3 m": And(
        (
            Predicate((Term("north", 1.0),), "<", 3.0, 3.0, Dimension.LENGTH),
            Predicate((Term("north", -1.0),), "<", 3.0, 3.0, Dimension.LENGTH),
        )
    ),
    "abs(north) > 3 m": Or(
        (
            Predicate((Term("north", 1.0),), ">", 3.0, 3.0, Dimension.LENGTH),
            Predicate((Term("north", -1.0),), ">", 3.0, 3.0, Dimension.LENGTH),
        )
    ),
    "always on_ground": Always(GROUND),
    "eventually[0 s, 12 s] height < 3 m": Eventually(LOW, Window(0, 12_000_000)),
    "always[100 ms, end] on_ground": Always(GROUND, Window(100_000, None)),
    "on_ground until[0 s, 1.5 s] height < 3 m": Until(GROUND, LOW, Window(0, 1_500_000)),
    "on_ground until armed": Until(GROUND, Flag("armed")),
    "armed or on_ground and height < 3 m": Or((Flag("armed"), And((GROUND, LOW)))),
    "armed and on_ground and height < 3 m": And((Flag("armed"), GROUND, LOW)),
    "armed implies on_ground implies height < 3 m": Implies(Flag("armed"), Implies(GROUND, LOW)),
    "armed or on_ground implies height < 3 m": Implies(Or((Flag("armed"), GROUND)), LOW),
    "always height < 3 m and on_ground": And((Always(LOW), GROUND)),
    "not always not on_ground": Not(Always(Not(GROUND))),
    "always (battery < 20 % implies eventually[0 s, 15 s] on_ground)": Always(
        Implies(
            Predicate((Term("battery", 1.0),), "<", 0.2, 0.2, Dimension.SHARE),
            Eventually(GROUND, Window(0, 15_000_000)),
        )
    ),
}


@pytest.mark.parametrize(("text", "formula"), MEANINGS.items(), ids=MEANINGS.keys())
def test_text_has_its_meaning(text: str, formula: Formula) -> None:
    """Binding, units, windows and both sides of a comparison."""
    assert parse_formula(text) == formula


NUMBERS = "a number or a quantity"
MISTAKES = {
    "height": (0, "`height` is compared with nothing. Write, say, `height < 1.5 m`"),
    "on_ground < 3 m": (
        0,
        "`on_ground` is true or false. Write `on_ground` or `not on_ground`, and no comparison",
    ),
    "heigt < 3 m": (0, "there is no signal `heigt`. Did you mean `height`?"),
    "zz < 3 m": (0, f"there is no signal `zz`. Signals are {', '.join(SIGNALS)}"),
    "height < 3": (9, "`3` has no unit. Write `3 m`"),
    "battery < 0.2": (10, "`0.2` has no unit. Write `20 %`"),
    "height < 3 and on_ground": (9, "`3` has no unit. Write `3 m`"),
    "height < 3 s": (9, "`height` is a length, but `3 s` is a duration. Compare quantities of one kind"),
    "height < speed": (9, "`height` is a length, but `speed` is a speed. Compare quantities of one kind"),
    "height < 3 meter": (9, "`3 meter` has an unknown unit `meter`. The units of length are m, km, cm, mm"),
    "alwys (height < 3 m)": (0, "`alwys` is not understood here. Did you mean `always`?"),
    "height < ": (9, f"the rule stops too early. Write a signal, {NUMBERS}"),
    "(height < 3 m": (13, "the rule stops too early. Write `)`"),
    "height = 3 m": (7, "`=` is not understood here. Write a comparison (<, <=, >, >=)"),
    "height > 0 m": (
        0,
        "`height > 0 m` has no size to measure a margin by. Say what counts as 1: `height > 0 m scale 1.5 m`",
    ),
    "height < 3 m scale 0 m": (
        0,
        "`height < 3 m scale 0 m` has no size to measure a margin by. Write a scale above zero",
    ),
    "3 m < 4 m": (0, "`3 m < 4 m` speaks of no signal. Compare a signal"),
    "height - height < 3 m": (0, "`height - height < 3 m` speaks of no signal. Compare a signal"),
    "always[5 s, 2 s] armed": (7, "the window [5 s, 2 s] ends before it begins. Swap its ends"),
    "always[5, 2 s] armed": (7, "`5` is not understood here. Write a quantity"),
    "always[5 m, 9 m] armed": (
        7,
        "`5 m` is a length, and a duration is needed. Write it in s or min or h or ms or us, such as `40 s`",
    ),
    "always[0.1 us, 2 s] armed": (7, "`0.1 us` is finer than 1 us. Use whole microseconds"),
    "height < 3 m on_ground": (
        13,
        (
            "`on_ground` is not understood here. Write the end of the rule, `and`, `implies`, `or`, `scale`,"
            " `since` or `until`"
        ),
    ),
    "": (
        0,
        (
            "the rule stops too early. Write `abs`, `always`, `at`, `eventually`, `fall`, `historically`, `leg`,"
            " `(`, `mode`, a signal, `next`, `not`, a number, `once`, a quantity, `rise` or `while`"
        ),
    ),
    "not " * 70 + "armed": (0, "the rule is nested deeper than 60 levels. Split it"),
    "armed" + " " * 2000: (2000, "the rule is longer than 2000 characters. Split it"),
}


@pytest.mark.parametrize(("text", "told"), MISTAKES.items(), ids=[text[:40] for text in MISTAKES])
def test_mistake_is_told_at_its_character(text: str, told: tuple[int, str]) -> None:
    """The whole message, and the offset of the character it is about."""
    with pytest.raises(FormulaProblem) as refused:
        parse_formula(text)
    assert (refused.value.offset, str(refused.value)) == told


def test_short_form_holds_all_the_time() -> None:
    """`always: X` is the formula `always (X)`."""
    assert parse_rule(Rule(name="low", always="height < 3 m")) == Always(LOW)
    assert parse_rule(Rule(name="low", formula="always (height < 3 m)")) == Always(LOW)


def test_each_part_knows_its_text() -> None:
    """A report can quote the part that broke."""
    formula = parse_formula("always (battery < 20 %  implies eventually[0 s, 15 s] on_ground)")
    (implication,) = operands_of(formula)
    assert [part.text for part in operands_of(implication)] == [
        "battery < 20 %",
        "eventually[0 s, 15 s] on_ground",
    ]


def test_signals_are_listed_once_in_order() -> None:
    """Every signal that a rule needs, by the order of its first mention."""
    formula = parse_formula("speed < 3 m/s until (armed or height + distance < 3 m and speed > 1 m/s)")
    assert signals_of(formula) == ("speed", "armed", "height", "distance")


def leaves() -> st.SearchStrategy[str]:
    numeric = [name for name, signal in SIGNALS.items() if signal.dimension]
    flags = [name for name, signal in SIGNALS.items() if signal.dimension is None]

    def comparison(name: str, comparison: str, number: int) -> str:
        dimension = SIGNALS[name].dimension
        assert dimension is not None
        return f"{name} {comparison} {number} {symbols(dimension)[0]}"

    compared = st.builds(
        comparison, st.sampled_from(numeric), st.sampled_from(["<", "<=", ">", ">="]), st.integers(1, 99)
    )
    return st.sampled_from(flags) | compared


def deeper(texts: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    unary = st.sampled_from(["not ({})", "always ({})", "eventually[1 s, 2 s] ({})"])
    binary = st.sampled_from(
        ["({}) and ({})", "({}) or ({})", "({}) implies ({})", "({}) until[0 s, 9 s] ({})"]
    )
    return st.builds(str.format, unary, texts) | st.builds(str.format, binary, texts, texts)


@given(st.recursive(leaves(), deeper, max_leaves=12))
def test_parentheses_and_spaces_change_nothing(text: str) -> None:
    """A formula in parentheses, or with other spaces, is the same formula; and its text is read as itself."""
    formula = parse_formula(text)
    assert parse_formula(f"(( {text} ))") == formula
    assert parse_formula(text.replace(" ", "  ").replace("(", "( ")) == formula
    assert parse_formula(formula.text) == formula


@given(st.text(alphabet="hight<>=()[]. 0123456789msandorimpl%*+-_", max_size=40))
def test_no_text_is_a_fault(text: str) -> None:
    """Whatever is written, it is a formula or a mistake at a character of it."""
    told = mistake_in(text)
    assert told is None or 0 <= told.offset <= len(text)


def mistake_in(text: str) -> FormulaProblem | None:
    try:
        parse_formula(text)
    except FormulaProblem as problem:
        return problem
    return None


FORMS = {
    "at leg 3, height < 4 m": Implies(Flag("leg 3"), parse_formula("height < 4 m")),
    "while mode is position-hold, speed < 1 m/s": Implies(
        Flag("mode is position-hold"), parse_formula("speed < 1 m/s")
    ),
    "once[1 s, 2 s] armed": Once(Flag("armed"), Window(1_000_000, 2_000_000)),
    "historically not armed": Historically(Not(Flag("armed"))),
    "armed since[0 s, 5 s] on_ground": Since(Flag("armed"), Flag("on_ground"), Window(0, 5_000_000)),
    "next rise(armed)": Next(Rise(Flag("armed"))),
    "fall(on_ground) implies armed": Implies(Fall(Flag("on_ground")), Flag("armed")),
}


@pytest.mark.parametrize(("text", "formula"), FORMS.items(), ids=FORMS.keys())
def test_operators_that_look_back_and_place_a_rule(text: str, formula: Formula) -> None:
    """Past operators, edges, legs and modes read as they are written."""
    assert parse_formula(text) == formula


def test_named_parts_stand_for_what_they_name() -> None:
    """A part may use parts named before it, and the rule is what it would be written out."""
    rule = Rule(
        name="r", let={"still": "speed < 0.3 m/s", "low": "still and height < 1 m"}, formula="always low"
    )
    assert parse_rule(rule) == parse_formula("always (speed < 0.3 m/s and height < 1 m)")


def test_sizes_of_sums_and_shares() -> None:
    """A signal may be divided, and the size of a sum is limited on both sides, by the limit that is written."""
    both = parse_formula("abs(height / 2 - 3 m) < 0.5 m")
    assert isinstance(both, And)
    below, above = both.operands
    assert isinstance(below, Predicate)
    assert isinstance(above, Predicate)
    assert (below.bound, above.bound, below.scale, above.scale) == (3.5, -2.5, 0.5, 0.5)
    assert (below.terms, above.terms) == ((Term("height", 0.5),), (Term("height", -0.5),))


WRONG_PLACES = {
    "at leg 0, armed": "`0` is no leg. Legs are numbered 1, 2, 3, ...",
    "mode is positon-hold": "there is no mode `positon-hold`. Did you mean `position-hold`?",
    "height / 0 < 1 m": "nothing can be divided by 0. Write another number",
}


@pytest.mark.parametrize(("text", "told"), WRONG_PLACES.items(), ids=WRONG_PLACES.keys())
def test_wrong_places_are_told(text: str, told: str) -> None:
    """Legs, modes and divisors that cannot be."""
    with pytest.raises(FormulaProblem) as refused:
        parse_formula(text)
    assert str(refused.value) == told


def test_what_the_guide_shows_is_understood() -> None:
    """Every rule and every measure in harness/docs/rules.md reads as it stands there."""
    blocks = re.findall(r"```yaml\n(.*?)```", (ROOT / "harness/docs/rules.md").read_text(), re.DOTALL)
    shown: dict[str, Any] = {}
    for block in blocks:
        shown |= yaml.safe_load(block)
    assert len(shown["rules"]) == 4
    assert len(shown["measures"]) == 4
    for rule in shown["rules"]:
        parse_rule(Rule.model_validate(rule))
    for measure in shown["measures"].values():
        parse_measure_formula(measure["formula"])
