"""Measures of the manner of flying: schedule, heading, attitude, link, sticks and battery."""

from __future__ import annotations

import numpy as np

from asflown.frames import FloatArray
from asflown.grade.evidence import Evidence
from asflown.grade.found import Found, no_place
from asflown.grade.match import LegMatch
from asflown.record.series import Series
from asflown.scenario.model import Limit
from asflown.units import format_quantity

_SLOWEST_TRAVEL_M_S = 0.5


def schedule_error(evidence: Evidence, _limit: Limit) -> Found:
    """Largest lateness or earliness, s, at the end of a leg, by the speeds and holds of the expected path.

    Legs with a `speed` and holds that follow each other make a schedule, which begins with the first of them:
    |flown - planned| since then. Pitfall: speeding up and slowing down take time that no schedule of constant
    speeds has.
    """
    if evidence.matched is None:
        return Found(None, no_place(evidence))
    worst: tuple[float, LegMatch] | None = None
    begin_s, planned_s = 0.0, None
    for leg in evidence.matched.legs:
        takes_s = _planned_s(leg)
        if takes_s is None or not leg.flown:
            planned_s = None
            continue
        if planned_s is None:
            begin_s, planned_s = leg.begin_s, 0.0
        planned_s += takes_s
        late_s = leg.end_s - begin_s - planned_s
        if worst is None or abs(late_s) > abs(worst[0]):
            worst = late_s, leg
    if worst is None:
        return Found(None, "no leg of the expected path has a speed, and none is a hold, that was flown")
    late_s, leg = worst
    says = f"{leg.leg.name} ended {format_quantity(abs(late_s), 's')} too {'late' if late_s > 0 else 'early'}"
    return Found(abs(late_s), f"{says}, at {leg.end_s:.1f} s", leg.leg.name, leg.end_s)


def _planned_s(leg: LegMatch) -> float | None:
    if leg.leg.kind == "hold":
        return leg.leg.hold_s
    return None if leg.leg.speed_m_s is None else leg.leg.length_m() / leg.leg.speed_m_s


def heading_from_travel_p95(evidence: Evidence, _limit: Limit) -> Found:
    """Angle between heading and direction of travel over ground, kept 95 % of the time it moves at 0.5 m/s or more.

    Source: 95 % as in performance-based navigation (from memory). Pitfall: in a cross-wind a nose into the wind is
    no error of a multirotor.
    """
    track = evidence.track
    heading = track.signals.get("heading")
    moving = track.velocities
    fast = np.hypot(moving.values[:, 0], moving.values[:, 1]) >= _SLOWEST_TRAVEL_M_S if len(moving) else None
    if heading is None or fast is None or not fast.any():
        return Found(None, "the vehicle reports no heading, or never moved at 0.5 m/s")
    course = np.arctan2(moving.values[fast, 1], moving.values[fast, 0])
    return _heading_error(heading, moving.time_s[fast], course, "the direction of travel")


def heading_from_start_p95(evidence: Evidence, _limit: Limit) -> Found:
    """Angle between heading and start heading, kept 95 % of the flight: for scripts that never turn.

    Pitfall: turning before take-off is part of the start heading.
    """
    heading = evidence.track.signals.get("heading")
    if heading is None or evidence.positions is None or not len(evidence.positions):
        return Found(None, "the vehicle reports no heading during the flight")
    times = evidence.positions.time_s
    course = np.full(len(times), evidence.track.anchors.heading_rad)
    return _heading_error(heading, times, course, "the start heading")


def heading_from_centre_p95(evidence: Evidence, _limit: Limit) -> Found:
    """Angle between heading and the direction to the centre of the arc being flown, kept 95 % of the time on arcs.

    Pitfall: near the centre a small error of position is a large angle.
    """
    heading = evidence.track.signals.get("heading")
    if evidence.matched is None or heading is None:
        return Found(None, no_place(evidence) or "the vehicle reports no heading")
    times, courses = [np.empty(0)], [np.empty(0)]
    for leg in evidence.matched.legs:
        if leg.leg.centre_xy_m is not None:
            samples = evidence.matched.on(leg)
            x_m, y_m = (leg.leg.centre_xy_m[axis] - samples.values[:, axis] for axis in (0, 1))
            turned = evidence.track.anchors.heading_rad if evidence.frame == "start-heading" else 0.0
            times.append(samples.time_s)
            courses.append(np.arctan2(y_m, x_m) + turned)
    if not sum(map(len, times)):
        return Found(None, "the expected path has no arc that was flown")
    return _heading_error(heading, np.concatenate(times), np.concatenate(courses), "the centre")


def _heading_error(heading: Series, times_s: FloatArray, course_rad: FloatArray, what: str) -> Found:
    number = np.clip(np.searchsorted(heading.time_s, times_s, side="right") - 1, 0, len(heading) - 1)
    error = np.abs(np.mod(heading.values[number] - course_rad + np.pi, 2 * np.pi) - np.pi)
    value, worst = float(np.percentile(error, 95)), int(np.argmax(error))
    largest = format_quantity(float(error[worst]), "rad")
    return Found(
        value,
        f"the nose is up to {largest} off {what}, at {times_s[worst]:.1f} s",
        None,
        float(times_s[worst]),
    )


def tilt_max(evidence: Evidence, _limit: Limit) -> Found:
    """The largest tilt from the vertical during the flight. Pitfall: reports at a few Hz miss short peaks."""
    tilt = _during(evidence, "tilt")
    if tilt is None:
        return Found(None, "the vehicle reports no attitude during the flight")
    worst = int(np.argmax(tilt.values))
    at_s, value = float(tilt.time_s[worst]), float(tilt.values[worst])
    return Found(value, f"tilted by {format_quantity(value, 'rad')} at {at_s:.1f} s", None, at_s)


def control_effort(evidence: Evidence, _limit: Limit) -> Found:
    """Root mean square of roll and pitch about their means: how much the vehicle worked, as an angle.

    sqrt(var(roll) + var(pitch)) over the flight. Own definition. Pitfall: gusts work, too.
    """
    parts = [_during(evidence, name) for name in ("roll", "pitch")]
    if any(part is None for part in parts):
        return Found(None, "the vehicle reports no attitude during the flight")
    value = float(np.sqrt(sum(part.values.var() for part in parts if part is not None)))
    return Found(value, f"roll and pitch spread by {format_quantity(value, 'rad')}")


def _during(evidence: Evidence, name: str) -> Series | None:
    """A signal while the flight lasts; None where it has no samples."""
    signal = evidence.track.signals.get(name)
    if signal is None or evidence.positions is None or not len(evidence.positions):
        return None
    part = signal.between(float(evidence.positions.time_s[0]), float(evidence.positions.time_s[-1]))
    return part if len(part) else None


def link_loss(evidence: Evidence, _limit: Limit) -> Found:
    """Share of the vehicle's messages that did not arrive, by the gaps in their sequence numbers.

    lost / (lost + received) over the flight; each gap counts up to 255. Source: the sequence number of MAVLink.
    Pitfall: a silence of more than 255 messages is counted short, and a message that came late counts as lost.
    """
    missing = _during(evidence, "messages_missing")
    if missing is None:
        return Found(None, "there is no capture of messages")
    lost = float(missing.values.sum())
    value = lost / (lost + len(missing))
    return Found(value, f"{lost:.0f} of {lost + len(missing):.0f} messages did not arrive")


def longest_silence(evidence: Evidence, _limit: Limit) -> Found:
    """The longest time, s, without a position during the flight. Pitfall: a slow stream is not a lost link."""
    if evidence.positions is None or len(evidence.positions) < 2:
        return Found(None, "there are no positions during the flight")
    steps_s = np.diff(evidence.positions.time_s)
    worst = int(np.argmax(steps_s))
    began_s, value = float(evidence.positions.time_s[worst]), float(steps_s[worst])
    return Found(value, f"no position for {format_quantity(value, 's')} from {began_s:.1f} s", None, began_s)


def stick_age(evidence: Evidence, _limit: Limit) -> Found:
    """The longest time, s, between two reports of the pilot's sticks (MANUAL_CONTROL) during the flight.

    Pitfall: it is seen where it was captured, which is before the radio.
    """
    sticks = _during(evidence, "sticks")
    if sticks is None or len(sticks) < 2:
        return Found(None, "the capture has no sticks (MANUAL_CONTROL)")
    steps_s = np.diff(sticks.time_s)
    worst = int(np.argmax(steps_s))
    began_s, value = float(sticks.time_s[worst]), float(steps_s[worst])
    return Found(value, f"no sticks for {format_quantity(value, 's')} from {began_s:.1f} s", None, began_s)


def battery_used(evidence: Evidence, _limit: Limit) -> Found:
    """Charge used during the flight, as a share of a full battery, as the vehicle reports it.

    Pitfall: reported in whole per cent, and under load some vehicles report too little.
    """
    battery = _during(evidence, "battery")
    if battery is None:
        return Found(None, "the vehicle reports no charge during the flight")
    value = float(battery.values[0] - battery.values[-1])
    return Found(value, f"the charge went from {battery.values[0]:.0%} to {battery.values[-1]:.0%}")
