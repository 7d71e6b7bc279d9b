"""Quantities: reading them, refusing what is none, and writing them for people."""

from __future__ import annotations

import math
import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, TypeAdapter, ValidationError

from asflown.errors import QuantityProblem
from asflown.units import (
    FROM_FILE,
    UNITS,
    Degrees,
    Dimension,
    Length,
    Share,
    Unit,
    format_quantity,
    parse_degrees,
    parse_quantity,
    symbols,
    to_si,
)

READ = [
    ("1.5 m", Dimension.LENGTH, 1.5),
    ("1.5m", Dimension.LENGTH, 1.5),
    (" -0.25 km ", Dimension.LENGTH, -250.0),
    ("12 cm", Dimension.LENGTH, 0.12),
    ("40 ms", Dimension.DURATION, 0.04),
    ("250 us", Dimension.DURATION, 0.00025),
    ("2 min", Dimension.DURATION, 120.0),
    ("180 deg", Dimension.ANGLE, math.pi),
    ("0.5 rad", Dimension.ANGLE, 0.5),
    ("2 m/s", Dimension.SPEED, 2.0),
    ("36 km/h", Dimension.SPEED, 10.0),
    ("15 %", Dimension.SHARE, 0.15),
    ("3700 mV", Dimension.VOLTAGE, 3.7),
    ("1e3 m", Dimension.LENGTH, 1000.0),
]


@pytest.mark.parametrize(("text", "dimension", "value"), READ, ids=[row[0].strip() for row in READ])
def test_quantity_is_read_into_si(text: str, dimension: Dimension, value: float) -> None:
    """A number with its unit becomes the nearest float in SI."""
    assert parse_quantity(text, dimension) == value


REFUSED = [
    ("8", Dimension.LENGTH, "`8` has no unit. Write `8 m`"),
    ("0.8", Dimension.SHARE, "`0.8` has no unit. Write `80 %`"),
    ("high", Dimension.LENGTH, "`high` is not a length. Write a number with its unit, such as `1.5 m`"),
    ("nan m", Dimension.LENGTH, "`nan m` is not a length. Write a number with its unit, such as `1.5 m`"),
    ("inf", Dimension.ANGLE, "`inf` is not an angle. Write a number with its unit, such as `25 deg`"),
    (
        "8 M",
        Dimension.LENGTH,
        "`8 M` has an unknown unit `M`. Did you mean `m`? The units of length are m, km, cm, mm",
    ),
    ("8 ft", Dimension.LENGTH, "`8 ft` has an unknown unit `ft`. The units of length are m, km, cm, mm"),
    (
        "8 s",
        Dimension.SPEED,
        "`8 s` is a duration, and a speed is needed. Write it in m/s or km/h or cm/s, such as `2 m/s`",
    ),
    (
        "1e999 m",
        Dimension.LENGTH,
        "`1e999 m` is not a length. Write a number with its unit, such as `1.5 m`",
    ),
]


@pytest.mark.parametrize(("text", "dimension", "message"), REFUSED, ids=[row[0] for row in REFUSED])
def test_what_is_no_quantity_is_refused(text: str, dimension: Dimension, message: str) -> None:
    """The whole message: the text, what is wrong with it, and what to write."""
    with pytest.raises(QuantityProblem) as refused:
        parse_quantity(text, dimension)
    assert str(refused.value) == message


def test_degrees_stay_degrees() -> None:
    """A geodetic coordinate is not converted, and radians are turned into degrees."""
    assert parse_degrees("52.000000123 deg") == 52.000000123
    assert parse_degrees("1 rad") == pytest.approx(57.295_779_513)


@given(st.decimals(-1_000_000, 1_000_000, places=4), st.sampled_from(list(UNITS.values())))
def test_every_number_in_every_unit_is_read_as_written(number: object, unit: Unit) -> None:
    """Reading equals the number times the unit, for each unit of the table."""
    text = f"{number:f} {unit.symbol}"
    assert parse_quantity(text, unit.dimension) == pytest.approx(
        float(str(number)) * float(unit.to_si), rel=1e-15
    )
    assert parse_quantity(text, unit.dimension) == to_si(f"{number:f}", unit)


@pytest.mark.parametrize("value", [8, 8.5, True, None, [1]], ids=repr)
def test_file_must_give_the_unit(value: object) -> None:
    """From a file nothing but text with a unit is a quantity."""
    with pytest.raises(ValidationError):
        TypeAdapter(Length).validate_python(value, context=FROM_FILE)


def test_code_gives_si() -> None:
    """A float from code is taken as it is, as SI; text with a unit is understood as well."""
    assert TypeAdapter(Length).validate_python(8.5) == 8.5
    assert TypeAdapter(Length).validate_python("850 cm") == 8.5
    assert TypeAdapter(Degrees).validate_python(52.0) == 52.0


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf], ids=str)
def test_code_may_not_give_what_is_no_number(value: float) -> None:
    """NaN and infinity are refused from code as well."""
    with pytest.raises(ValidationError):
        TypeAdapter(Share).validate_python(value)


def test_schema_shows_what_a_file_may_say() -> None:
    """In the JSON Schema a quantity is text with a pattern and an example."""

    class Box(BaseModel):
        height: Length

    shown = Box.model_json_schema()["properties"]["height"]
    assert shown["type"] == "string"
    assert shown["examples"] == ["1.5 m"]


@pytest.mark.parametrize(
    ("value", "si_unit", "text"),
    [
        (0.8312, "m", "0.83 m"),
        (-0.001, "m", "0.00 m"),
        (3.0, "s", "3.00 s"),
        (math.pi / 2, "rad", "90.0 deg"),
        (0.153, "1", "15.3 %"),
        (1.98, "m/s", "1.98 m/s"),
        (3.7, "V", "3.70 V"),
    ],
    ids=str,
)
def test_report_shows_the_usual_unit(value: float, si_unit: str, text: str) -> None:
    """Angles are shown in degrees and shares in per cent; there is no minus zero."""
    assert format_quantity(value, si_unit) == text


def test_report_may_choose_unit_and_places() -> None:
    """Another unit of the same kind, and another number of decimals."""
    assert format_quantity(0.0123, "m", show_in="mm") == "12 mm"
    assert format_quantity(0.0123, "m", decimals=3) == "0.012 m"


@pytest.mark.parametrize(("si_unit", "show_in"), [("m", "s"), ("furlong", None)])
def test_report_refuses_units_that_do_not_belong_together(si_unit: str, show_in: str | None) -> None:
    """A length is never shown in seconds, and an unknown unit is a mistake of the caller."""
    with pytest.raises(QuantityProblem):
        format_quantity(1.0, si_unit, show_in=show_in)


@pytest.mark.parametrize("dimension", list(Dimension), ids=lambda dimension: dimension.noun)
def test_every_dimension_can_be_shown_and_read_back(dimension: Dimension) -> None:
    """The example of each dimension is a quantity of it, and its usual unit is in the table."""
    assert dimension.usual_unit in symbols(dimension)
    shown = format_quantity(parse_quantity(dimension.example, dimension), dimension.si_symbol)
    assert parse_quantity(shown, dimension) == pytest.approx(parse_quantity(dimension.example, dimension))


def test_problem_survives_a_process_border() -> None:
    """The error keeps its parts when it is sent to another process."""
    problem = QuantityProblem("8", "has no unit", "write `8 m`")
    assert str(pickle.loads(pickle.dumps(problem))) == str(problem)
