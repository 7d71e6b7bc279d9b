"""What a flight's captures show of its link, and of the air and the craft it flew with: one number for each thing.

None of it says what the vehicle should have done. The lean is the horizontal acceleration that the vehicle holds
against by tilting while it hardly moves: that of drag in the wind, seen through its own attitude estimate. Hover
throttle stands for mass, air density and battery together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from asflown.change.sets import FlownFlight
from asflown.errors import FolderProblem
from asflown.frames import FloatArray
from asflown.record import decode, layout
from asflown.record.decode import Index
from asflown.record.series import Series, Track

GRAVITY_M_S2 = 9.806_65
SLOW_M_S = 0.4
"""Below this ground speed the vehicle counts as hovering."""
LEAST_SAMPLES = 10
ANSWER_WITHIN_US = 2_000_000
_COMMAND_LONG, _COMMAND_INT, _COMMAND_ACK, _VFR_HUD = 76, 75, 77, 74
_STAMPED = ("LOCAL_POSITION_NED", "ATTITUDE", "GLOBAL_POSITION_INT")


@dataclass(frozen=True, slots=True)
class Observable:
    """One number that captures show of a flight; `of` gives None where they do not."""

    name: str
    unit: str
    about: Literal["link", "surroundings"]
    matters_from: float
    """A smaller difference is of no account, however sure it is."""
    of: Callable[[FlownFlight], float | None]


def _main_sender(index: Index) -> tuple[int, int] | None:
    """System and component that most frames come from."""
    if not len(index):
        return None
    numbers, counts = np.unique(index.system.astype(np.int64) * 256 + index.component, return_counts=True)
    return divmod(int(numbers[np.argmax(counts)]), 256)


def loss_down(flight: FlownFlight) -> float | None:
    """Share of the vehicle's frames that did not arrive, by their sequence numbers."""
    index = flight.downlink
    sender = _main_sender(index)
    if sender is None:
        return None
    own = (index.system == sender[0]) & (index.component == sender[1])
    steps = np.diff(index.sequence[own].astype(np.int64)) % 256
    sent = int(steps.sum())
    return (sent - len(steps)) / sent if sent else None


def answer_time(flight: FlownFlight) -> float | None:
    """Median time from a command to the first answer to it, seconds."""
    acks = decode.columns(flight.downlink, _COMMAND_ACK)
    waits = []
    for message in (_COMMAND_LONG, _COMMAND_INT):
        for sent in decode.columns(flight.uplink, message):
            later = (acks["command"] == sent["command"]) & (acks["time_us"] > sent["time_us"])
            until = acks["time_us"][later]
            if len(until) and until[0] - sent["time_us"] < ANSWER_WITHIN_US:
                waits.append(int(until[0] - sent["time_us"]) / 1e6)
    return float(np.median(waits)) if waits else None


def _delays_s(flight: FlownFlight) -> FloatArray:
    """Arrival of stamped messages after the vehicle's own stamps; its clock's offset is in it."""
    index = flight.downlink
    found = [np.empty(0)]
    for name in _STAMPED:
        table = decode.columns(index, layout.message_id(name))
        arrived_us = table["time_us"] - flight.manifest.clock.epoch_us
        found.append((arrived_us - table["time_boot_ms"].astype(np.int64) * 1000) / 1e6)
    return np.concatenate(found)


def delay_spread(flight: FlownFlight) -> float | None:
    """How much later than the quickest twentieth the slowest twentieth of messages arrives, seconds."""
    delays_s = _delays_s(flight)
    if len(delays_s) < LEAST_SAMPLES:
        return None
    low, high = np.percentile(delays_s, [5, 95])
    return round(float(high - low), 6)  # stamps are whole microseconds


def delay_down(flight: FlownFlight) -> float | None:
    """Median age of a message when it arrives; known for simulated vehicles, whose clock is the flight's own."""
    delays_s = _delays_s(flight)
    if flight.manifest.vehicle.kind != "built-in" or not len(delays_s):
        return None
    return float(np.median(delays_s))


def rate_down(flight: FlownFlight) -> float | None:
    """Frames from the vehicle that arrived in a second."""
    index = flight.downlink
    if len(index) < LEAST_SAMPLES:
        return None
    return len(index) / max(float(index.time_us[-1] - index.time_us[0]) / 1e6, 1e-3)


def _hovering(flight: FlownFlight) -> tuple[Track, FloatArray] | None:
    """The flight's track, and the times at which its attitude was taken while it hovered in the air."""
    try:
        track = flight.estimate
    except FolderProblem:
        return None
    needed = {"roll", "pitch", "heading", "height", "speed"}
    if not needed <= track.signals.keys():
        return None
    roll = track.signals["roll"]
    at_s = roll.time_s
    high = float(np.percentile(track.signals["height"].values, 95))
    slow = _at(track.signals["speed"], at_s) < SLOW_M_S
    in_air = _at(track.signals["height"], at_s) > max(0.5 * high, 0.3)
    chosen: FloatArray = at_s[slow & in_air]
    return (track, chosen) if len(chosen) >= LEAST_SAMPLES else None


def _at(of: Series, at_s: FloatArray) -> FloatArray:
    return np.interp(at_s, of.time_s, of.values)


def _lean_m_s2(flight: FlownFlight) -> FloatArray | None:
    """North and east acceleration of the tilted thrust while hovering, shape (2, n)."""
    found = _hovering(flight)
    if found is None:
        return None
    track, at_s = found
    roll, pitch = _at(track.signals["roll"], at_s), _at(track.signals["pitch"], at_s)
    heading = track.signals["heading"]
    yaw = np.interp(at_s, heading.time_s, np.unwrap(heading.values))
    down = np.cos(roll) * np.cos(pitch)
    north = np.cos(yaw) * np.sin(pitch) * np.cos(roll) + np.sin(yaw) * np.sin(roll)
    east = np.sin(yaw) * np.sin(pitch) * np.cos(roll) - np.cos(yaw) * np.sin(roll)
    return np.stack([-north / down, -east / down]) * GRAVITY_M_S2


def lean_north(flight: FlownFlight) -> float | None:
    """Mean lean towards north while hovering, m/s2."""
    lean = _lean_m_s2(flight)
    return None if lean is None else float(lean[0].mean())


def lean_east(flight: FlownFlight) -> float | None:
    """Mean lean towards east while hovering, m/s2."""
    lean = _lean_m_s2(flight)
    return None if lean is None else float(lean[1].mean())


def hover_throttle(flight: FlownFlight) -> float | None:
    """Mean throttle while hovering, as a share."""
    found = _hovering(flight)
    table = decode.columns(flight.downlink, _VFR_HUD)
    if found is None or not len(table):
        return None
    at_s = (table["time_us"] - flight.manifest.clock.epoch_us) / 1e6
    near = np.interp(at_s, found[1], np.arange(len(found[1])), left=math.nan, right=math.nan)
    index = np.nan_to_num(near).astype(int)
    hovering = ~np.isnan(near) & (np.abs(found[1][index] - at_s) < 0.5)
    return float(table["throttle"][hovering].mean()) / 100 if hovering.sum() >= 3 else None


OBSERVABLES: tuple[Observable, ...] = (
    Observable("age of telemetry", "s", "link", 1e-3, delay_down),
    Observable("time to a command's answer", "s", "link", 2e-3, answer_time),
    Observable("spread of delays", "s", "link", 1e-3, delay_spread),
    Observable("loss of telemetry", "", "link", 1e-3, loss_down),
    Observable("rate of telemetry", "Hz", "link", 0.1, rate_down),
    Observable("lean towards north in hover", "m/s2", "surroundings", 0.02, lean_north),
    Observable("lean towards east in hover", "m/s2", "surroundings", 0.02, lean_east),
    Observable("hover throttle", "", "surroundings", 2e-3, hover_throttle),
)


def seen(flight: FlownFlight, what: Observable) -> float | None:
    """What the captures of one flight show, computed once."""
    return flight.computed(("observed", what.name), lambda: what.of(flight))


def observe(flights: Iterable[FlownFlight], what: Observable) -> list[float]:
    """One number for each flight whose captures show it."""
    return [value for flight in flights if (value := seen(flight, what)) is not None]
