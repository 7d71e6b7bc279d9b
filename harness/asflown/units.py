"""Quantities: numbers with a unit in files and reports, plain SI floats everywhere else.

`UNITS` is the only list of units. A quantity read from a file must carry its unit; a float given by code is
SI already and stays as it is. Conversions are exact in rational arithmetic and rounded once (`40 ms` is 0.04).
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, ValidationInfo, WithJsonSchema
from pydantic_core import PydanticCustomError

from asflown.errors import QuantityProblem

FROM_FILE = {"from_file": True}
"""The validation context that makes a bare number an error; set by whoever reads a file."""

UNSIGNED_PATTERN = r"(?:\d{1,20}(?:\.\d{0,20})?|\.\d{1,20})(?:[eE][+-]?\d{1,2})?"
"""A decimal numeral without its sign; bounded, so that no text can take long to convert."""
NUMBER_PATTERN = rf"[+-]?{UNSIGNED_PATTERN}"
"""A decimal numeral as files write it."""

_QUANTITY = re.compile(rf"\s*((?>{NUMBER_PATTERN})(?![\d.]))\s*(\S.*?)?\s*")


class Dimension(Enum):
    """What is measured: its name in messages, SI symbol, and an example that also shows the usual unit."""

    LENGTH = ("length", "m", "1.5 m")
    DURATION = ("duration", "s", "40 s")
    ANGLE = ("angle", "rad", "25 deg")
    SPEED = ("speed", "m/s", "2 m/s")
    SHARE = ("share", "1", "80 %")
    VOLTAGE = ("voltage", "V", "3.7 V")
    TEMPERATURE = ("temperature difference", "K", "12 K")
    PRESSURE = ("pressure", "Pa", "1005 hPa")
    SIZE = ("size", "B", "256 MB")

    def __init__(self, noun: str, si_symbol: str, example: str) -> None:
        self.noun, self.si_symbol, self.example = noun, si_symbol, example

    @property
    def usual_unit(self) -> str:
        """The unit people read it in."""
        return self.example.split(" ", 1)[1]


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: `value_si = number * to_si`; `decimals` is how many a report shows."""

    symbol: str
    dimension: Dimension
    to_si: Fraction | float
    decimals: int


UNITS: Mapping[str, Unit] = {
    unit.symbol: unit
    for unit in (
        Unit("m", Dimension.LENGTH, Fraction(1), 2),
        Unit("km", Dimension.LENGTH, Fraction(1000), 3),
        Unit("cm", Dimension.LENGTH, Fraction(1, 100), 1),
        Unit("mm", Dimension.LENGTH, Fraction(1, 1000), 0),
        Unit("s", Dimension.DURATION, Fraction(1), 2),
        Unit("min", Dimension.DURATION, Fraction(60), 2),
        Unit("h", Dimension.DURATION, Fraction(3600), 3),
        Unit("ms", Dimension.DURATION, Fraction(1, 1000), 1),
        Unit("us", Dimension.DURATION, Fraction(1, 1_000_000), 0),
        Unit("deg", Dimension.ANGLE, math.pi / 180, 1),
        Unit("rad", Dimension.ANGLE, Fraction(1), 3),
        Unit("m/s", Dimension.SPEED, Fraction(1), 2),
        Unit("km/h", Dimension.SPEED, Fraction(5, 18), 1),
        Unit("cm/s", Dimension.SPEED, Fraction(1, 100), 1),
        Unit("%", Dimension.SHARE, Fraction(1, 100), 1),
        Unit("V", Dimension.VOLTAGE, Fraction(1), 2),
        Unit("mV", Dimension.VOLTAGE, Fraction(1, 1000), 0),
        Unit("K", Dimension.TEMPERATURE, Fraction(1), 1),
        Unit("Pa", Dimension.PRESSURE, Fraction(1), 0),
        Unit("hPa", Dimension.PRESSURE, Fraction(100), 1),
        Unit("B", Dimension.SIZE, Fraction(1), 0),
        Unit("kB", Dimension.SIZE, Fraction(1000), 0),
        Unit("MB", Dimension.SIZE, Fraction(1_000_000), 0),
        Unit("GB", Dimension.SIZE, Fraction(1_000_000_000), 1),
    )
}


def symbols(dimension: Dimension) -> tuple[str, ...]:
    """The symbols of all units of `dimension`, in the order of the table."""
    return tuple(unit.symbol for unit in UNITS.values() if unit.dimension is dimension)


def to_si(number: str, unit: Unit) -> float:
    """`number`, a decimal numeral that matches NUMBER_PATTERN, times `unit`, in SI."""
    if isinstance(unit.to_si, float):
        return float(number) * unit.to_si
    return float(Fraction(number) * unit.to_si)


def split_quantity(text: str) -> tuple[str, str] | None:
    """The numeral and the unit's symbol ('' when there is none) in `text`, or None when it has no numeral."""
    match = _QUANTITY.fullmatch(text)
    return None if match is None else (match[1], match[2] or "")


def parse_quantity(text: str, dimension: Dimension) -> float:
    """The quantity written in `text` (`1.5 m`, `40ms`), in SI.

    Raises QuantityProblem when there is no number, no unit, or a unit that is not one of `dimension`.
    """
    number, unit = _parse(text, dimension)
    return to_si(number, unit)


def parse_degrees(text: str) -> float:
    """The angle written in `text`, in degrees; raises as `parse_quantity` does."""
    number, unit = _parse(text, Dimension.ANGLE)
    return float(number) if unit.symbol == "deg" else math.degrees(float(number))


def format_quantity(
    value: float, si_unit: str, *, show_in: str | None = None, decimals: int | None = None
) -> str:
    """`value`, in the SI unit `si_unit` (m, s, m/s, rad, V, K, Pa, or 1 for a share), as people read it: `25.0 deg`.

    `show_in` chooses another unit of the same dimension than the usual one. Raises QuantityProblem when the
    units do not belong together.
    """
    dimension = _DIMENSION_OF_SI.get(si_unit)
    if dimension is None:
        raise QuantityProblem(
            si_unit, "is not an SI unit used here", f"use one of {', '.join(_DIMENSION_OF_SI)}"
        )
    unit = UNITS.get(show_in or dimension.usual_unit)
    if unit is None or unit.dimension is not dimension:
        raise _wrong_unit(f"{value:g} {show_in}", show_in or "", dimension)
    places = unit.decimals if decimals is None else decimals
    return f"{value / float(unit.to_si):z.{places}f} {unit.symbol}"


_DIMENSION_OF_SI = {dimension.si_symbol: dimension for dimension in Dimension}


def _parse(text: str, dimension: Dimension) -> tuple[str, Unit]:
    parts = split_quantity(text)
    if parts is None:
        raise not_a_quantity(text, dimension)
    number, symbol = parts
    if not symbol:
        raise no_unit(number, dimension)
    unit = UNITS.get(symbol)
    if unit is None or unit.dimension is not dimension:
        raise _wrong_unit(text, symbol, dimension)
    return number, unit


def no_unit(number: str, dimension: Dimension) -> QuantityProblem:
    """The error for a bare number; a share from 0 to 1 is offered in per cent."""
    meant = number
    if dimension is Dimension.SHARE and abs(float(number)) <= 1:
        meant = f"{float(number) * 100:g}"
    return QuantityProblem(number, "has no unit", f"write `{meant} {dimension.usual_unit}`")


def not_a_quantity(text: str, dimension: Dimension) -> QuantityProblem:
    """The error for something that is no number at all."""
    article = "an" if dimension is Dimension.ANGLE else "a"
    return QuantityProblem(
        text,
        f"is not {article} {dimension.noun}",
        f"write a number with its unit, such as `{dimension.example}`",
    )


def _wrong_unit(text: str, symbol: str, dimension: Dimension) -> QuantityProblem:
    allowed = symbols(dimension)
    known = UNITS.get(symbol)
    if known is not None:
        fault = f"is a {known.dimension.noun}, and a {dimension.noun} is needed".replace(
            "a angle", "an angle"
        )
        return QuantityProblem(
            text, fault, f"write it in {' or '.join(allowed)}, such as `{dimension.example}`"
        )
    near = difflib.get_close_matches(symbol, allowed, n=1) or [s for s in allowed if s == symbol.lower()]
    hint = f"did you mean `{near[0]}`? The" if near else "the"
    return QuantityProblem(
        text, f"has an unknown unit `{symbol}`", f"{hint} units of {dimension.noun} are {', '.join(allowed)}"
    )


def read_quantity(value: Any, dimension: Dimension, *, degrees: bool = False, from_file: bool = False) -> Any:
    """What a model stores for `value`: text is parsed, and from a file nothing but text will do.

    Raises QuantityProblem.
    """
    if isinstance(value, str):
        return parse_degrees(value) if degrees else parse_quantity(value, dimension)
    if not from_file:
        return value
    if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        raise no_unit(str(value), dimension)
    raise not_a_quantity(str(value), dimension)


def json_pattern(dimension: Dimension) -> str:
    """The regular expression (in the dialect of JSON Schema) for quantities of `dimension`."""
    units = "|".join(re.escape(symbol) for symbol in symbols(dimension))
    return rf"^\s*{NUMBER_PATTERN}\s*(?:{units})\s*$"


def _annotation(dimension: Dimension, *, degrees: bool = False) -> tuple[Any, ...]:
    def read(value: Any, info: ValidationInfo) -> Any:
        from_file = bool((info.context or {}).get("from_file"))
        try:
            return read_quantity(value, dimension, degrees=degrees, from_file=from_file)
        except QuantityProblem as problem:
            context = {"fault": problem.fault, "remedy": problem.remedy}
            raise PydanticCustomError("quantity", "{fault}. {remedy}", context) from problem

    schema = {"type": "string", "pattern": json_pattern(dimension), "examples": [dimension.example]}
    return BeforeValidator(read), WithJsonSchema(schema), Field(allow_inf_nan=False)


Length = Annotated[float, *_annotation(Dimension.LENGTH)]
"""Metres."""
Duration = Annotated[float, *_annotation(Dimension.DURATION)]
"""Seconds."""
Angle = Annotated[float, *_annotation(Dimension.ANGLE)]
"""Radians."""
Degrees = Annotated[float, *_annotation(Dimension.ANGLE, degrees=True)]
"""An angle that stays in degrees: geodetic coordinates."""
Speed = Annotated[float, *_annotation(Dimension.SPEED)]
"""Metres per second."""
Share = Annotated[float, *_annotation(Dimension.SHARE)]
"""A share; 1 is the whole (100 %)."""
Voltage = Annotated[float, *_annotation(Dimension.VOLTAGE)]
"""Volts."""
Size = Annotated[float, *_annotation(Dimension.SIZE)]
"""Bytes; units are decimal."""
TemperatureDifference = Annotated[float, *_annotation(Dimension.TEMPERATURE)]
"""Kelvins."""
Pressure = Annotated[float, *_annotation(Dimension.PRESSURE)]
"""Pascals."""
