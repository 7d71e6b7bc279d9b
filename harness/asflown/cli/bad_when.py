"""When a flight of a search counts as bad: it fails its scenario, or one measure is beyond a bound."""

from __future__ import annotations

import operator
import re
from collections.abc import Callable

from asflown.errors import FlightError, UsageError
from asflown.report.flown import Flown

IsBad = Callable[[Flown], bool]

_FORM = re.compile(r"\s*(?P<name>[a-z_0-9]+)\s*(?P<sign>[<>])\s*(?P<bound>.+)")
_SIGNS: dict[str, Callable[[float, float], bool]] = {"<": operator.lt, ">": operator.gt}


def parse(text: str | None) -> IsBad:
    """`cross_track_p95 > 0.6 m`, or None for the flight's verdict. Raises UsageError for what is neither."""
    if text is None:
        return _failed
    from asflown.scenario.measure_names import MEASURES
    from asflown.scenario.places import nearest
    from asflown.units import parse_quantity

    found = _FORM.fullmatch(text)
    if found is None or found["name"] not in MEASURES:
        near = nearest(found["name"], list(MEASURES)) if found else None
        hint = f"Did you mean `{near}`?" if near else "Write it like `cross_track_p95 > 0.6 m`"
        raise UsageError(f"--bad-when '{text}' bounds no measure", hint)
    bound = parse_quantity(found["bound"], MEASURES[found["name"]].dimension)
    beyond = _SIGNS[found["sign"]]

    def is_bad(flown: Flown) -> bool:
        value = _value(flown, found["name"])
        return beyond(value, bound)

    return is_bad


def _failed(flown: Flown) -> bool:
    if flown.verdict not in {"pass", "fail"}:
        raise FlightError(
            f"the flight in {flown.folder} is neither good nor bad: {flown.reason}",
            "Mend what is in the way; the same command goes on",
        )
    return flown.verdict == "fail"


def _value(flown: Flown, name: str) -> float:
    """The value of a measure: of the first source that has it."""
    measures = () if flown.grade is None else flown.grade.measures
    values = [one.value for one in measures if one.name == name and one.value is not None]
    if not values:
        raise FlightError(
            f"the flight in {flown.folder} has no {name}", "Ask for a measure that the scenario limits"
        )
    return values[0]
