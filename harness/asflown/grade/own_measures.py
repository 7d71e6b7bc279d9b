"""Measures that a scenario words itself: an aggregate of an expression over the flight, a leg, or a condition.

The flight lies between lift-off and touch-down; where these were not seen, between arming and the end of the track.
Signals are put on one time base as for rules. Where a signal that changes in straight lines has a gap of more than a
second nothing is looked at, so that nothing is made up. Samples count by the time they stand for in `mean`, `rms` and
`deviation`; percentiles are those of the samples (Hyndman & Fan, type 7).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt

from asflown.frames import FloatArray
from asflown.grade.evidence import Evidence
from asflown.grade.found import Found
from asflown.grade.match import LONG_GAP_S
from asflown.grade.robustness import Robustness, Trace
from asflown.grade.rules import keeps_value, trace_of, what_is_missing
from asflown.record.series import Series
from asflown.scenario.measure_formula import Expression, MeasureFormula, Number, Operate, Signal
from asflown.units import format_quantity

Kept = npt.NDArray[np.bool_]


def own_measure(formula: MeasureFormula, evidence: Evidence) -> Found:
    """What `formula` comes to over the flight that `evidence` is of."""
    signals = evidence.signals()
    names = formula.signals()
    missing = [name for name in names if name not in signals]
    if missing:
        return Found(None, what_is_missing(missing, evidence.track.source))
    used = {name: signals[name] for name in names}
    begin_s, end_s = _flight(evidence)
    trace = _until(trace_of(used, begin_s), end_s)
    if not len(trace.time_us):
        return Found(None, f"there are no samples of {' and '.join(names)} during the flight")
    kept = _known(used, trace) & _wanted(formula, trace)
    if not kept.any():
        return Found(None, f"there is no sample {formula.condition_text or 'without a gap'}")
    with np.errstate(divide="ignore", invalid="ignore"):
        values = _value(formula.expression, trace)
    return _aggregated(formula, trace, values, kept)


def _flight(evidence: Evidence) -> tuple[float, float]:
    air, track = evidence.air, evidence.track
    begin_s = track.anchors.at_s if air.lift_off_s is None else air.lift_off_s
    return begin_s, track.end_s if air.touch_down_s is None else air.touch_down_s


def _until(trace: Trace, end_s: float) -> Trace:
    last = int(np.searchsorted(trace.time_us, round(end_s * 1e6), side="right"))
    return Trace(trace.time_us[:last], {n: v[:last] for n, v in trace.signals.items()}, trace.steps)


def _known(signals: Mapping[str, Series], trace: Trace) -> Kept:
    """Where no signal that is drawn through between its samples has a gap."""
    known = np.ones(len(trace.time_us), np.bool_)
    for name, series in signals.items():
        if keeps_value(name):
            continue
        own_us = np.rint(series.time_s * 1e6)
        after = np.searchsorted(own_us, trace.time_us)
        inside = after < len(own_us)
        beyond = own_us[np.minimum(after, len(own_us) - 1)]
        before = own_us[np.maximum(after - 1, 0)]
        near = (beyond - before <= LONG_GAP_S * 1e6) | (beyond == trace.time_us)
        known &= inside & near
    return known


def _wanted(formula: MeasureFormula, trace: Trace) -> Kept:
    if formula.condition is None:
        return np.ones(len(trace.time_us), np.bool_)
    return np.asarray(Robustness(trace).of(formula.condition) >= 0)


_OPERATIONS: dict[str, Callable[..., FloatArray]] = {
    "+": np.add,
    "-": np.subtract,
    "*": np.multiply,
    "/": np.divide,
    "abs": np.abs,
    "hypot": np.hypot,
    "max": np.maximum,
    "min": np.minimum,
}


def _value(expression: Expression, trace: Trace) -> FloatArray:
    match expression:
        case Signal():
            return trace.signals[expression.name]
        case Number():
            return np.full(len(trace.time_us), expression.value)
        case Operate():
            operands = [_value(operand, trace) for operand in expression.operands]
            return _OPERATIONS[expression.operation](*operands)


def _aggregated(formula: MeasureFormula, trace: Trace, values: FloatArray, kept: Kept) -> Found:
    numbers = np.flatnonzero(kept)
    those = values[numbers]
    if not np.isfinite(those).all():
        at_s = trace.time_us[numbers[int(np.argmin(np.isfinite(those)))]] / 1e6
        return Found(None, f"something is divided by 0 at {at_s:.1f} s")
    place = _PLACES[formula.aggregate](those) if formula.aggregate in _PLACES else None
    if place is not None:
        at_s = float(trace.time_us[numbers[place]]) / 1e6
        return Found(float(those[place]), _says(formula, float(those[place]), at_s), at_s=at_s)
    value = _over_all(formula, those, _seconds(trace)[numbers])
    return Found(value, _says(formula, value, None))


_PLACES: dict[str, Callable[[FloatArray], int]] = {
    "max": lambda values: int(np.argmax(values)),
    "min": lambda values: int(np.argmin(values)),
    "first": lambda values: 0,
    "last": lambda values: len(values) - 1,
}
"""Aggregates that are the value of one sample."""


def _over_all(formula: MeasureFormula, values: FloatArray, seconds: FloatArray) -> float:
    """The value of an aggregate that many samples make; `seconds` is the time each stands for."""
    if formula.percentile is not None:
        return float(np.percentile(values, formula.percentile))
    if formula.aggregate == "change":
        return float(values[-1] - values[0])
    mean = float(np.average(values, weights=seconds))
    if formula.aggregate == "mean":
        return mean
    about = mean if formula.aggregate == "deviation" else 0.0
    return float(np.sqrt(np.average((values - about) ** 2, weights=seconds)))


def _seconds(trace: Trace) -> FloatArray:
    """Half the way to either neighbour, of which a lone sample has none and stands for any time."""
    if len(trace.time_us) < 2:
        return np.ones(len(trace.time_us))
    half = np.diff(trace.time_us / 1e6) / 2
    result: FloatArray = np.append(half, 0.0) + np.insert(half, 0, 0.0)
    return result


def _says(formula: MeasureFormula, value: float, at_s: float | None) -> str:
    """`max(climb_rate) is 1.83 m/s at 12.3 s`."""
    shown = format_quantity(value, formula.dimension.si_symbol)
    return f"{formula.text} is {shown}{'' if at_s is None else f' at {at_s:.1f} s'}"
