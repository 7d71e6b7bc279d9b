"""Captures made from the model itself, so that the truth is known: a craft that flies there and back, nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from asflown.campaign.calibration.capture import Capture, SetPoints
from asflown.campaign.calibration.fit import residuals
from asflown.campaign.calibration.instruments import instrument
from asflown.campaign.calibration.model import Flight, rotor_speeds
from asflown.frames import FloatArray
from asflown.record.series import Anchors, Series, Track
from asflown.sim.airframe import PALM80
from asflown.sim.sheet import Numbers, numbers_of

STEP_S = 0.1
DESIGN = numbers_of(PALM80)


def track_of(time_s: FloatArray, velocity_m_s: FloatArray) -> Track:
    """A track of these velocities."""
    positions = np.cumsum(velocity_m_s, axis=0) * STEP_S
    anchors = Anchors(0.0, (0.0, 0.0, 0.0), 0.0, "made up")
    series = Series(time_s, positions), Series(time_s, velocity_m_s)
    return Track("estimate", *series, None, {}, anchors, float(time_s[-1]))


def capture(
    seed: int = 1, seconds: float = 120.0, *, gusts_m_s: float = 0.0, throttle: bool = True
) -> Capture:
    """There and back north and east, level; velocities are made to fit by `consistent`."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, seconds, STEP_S)
    asked = np.zeros((len(time_s), 3))
    leg = (time_s // 6.0).astype(int)
    signs = np.array([1.0, -1.0, 0.5, -0.5])[leg % 4] * 3.0
    asked[:, 0], asked[:, 1] = np.where(leg // 4 % 2 == 0, (signs, 0 * signs), (0 * signs, signs))
    velocity = _slow(asked, 1.0) + _slow(rng.normal(0.0, gusts_m_s * 5.0, asked.shape), 2.0)
    points = SetPoints(time_s, np.full_like(asked, np.nan), asked)
    level = np.tile(np.eye(3), (len(time_s), 1, 1))
    share = np.full(len(time_s), 0.7)
    empty = Series(np.empty(0), np.empty(0))
    return Capture(
        "made up", "palm80", "2026-01-01", STEP_S, time_s, level, velocity, share if throttle else None,
        Series(time_s, share) if throttle else empty, empty, np.full(len(time_s), 4.0), 1.0, points,
        track_of(time_s, velocity),
    )  # fmt: skip


def flight(of: Capture, design: Numbers = DESIGN) -> Flight:
    """As a calibration makes it."""
    return Flight(of, design, rotor_speeds(of, design), instrument(of)[0])


def consistent(
    of: Capture,
    thrust: float,
    drag: float,
    wind_m_s: tuple[float, float] = (0.0, 0.0),
    noise_m_s2: float = 0.0,
) -> Capture:
    """The capture with attitudes and throttle that a craft with these shares needs for its velocities."""
    design, velocity, rng = DESIGN, of.velocity_m_s, np.random.default_rng(9)
    acceleration = np.gradient(velocity, STEP_S, axis=0)
    acceleration += noise_m_s2 * _slow(rng.normal(0.0, 3.0, velocity.shape), 1.0)
    rotation, throttle = of.rotation, np.full(len(velocity), 0.7)
    for _ in range(30):  # attitude and throttle depend on each other by way of drag
        share = replace(of, rotation=rotation, throttle=throttle)
        rotors = rotor_speeds(share, design)
        air = velocity - np.array([*wind_m_s, 0.0])
        body = np.einsum("nji,nj->ni", rotation, air)
        speed = np.linalg.norm(air, axis=1)
        side = drag * (design.side_drag_factor * rotors + 0.6125 * design.level_area_m2 * speed)
        axis_n = design.inflow_factor * rotors + drag * 0.6125 * design.upright_area_m2 * speed
        held = np.einsum("nij,nj->ni", rotation, np.stack([*(-side * body[:, :2].T), 0 * side], -1))
        lift = design.mass_kg * (acceleration - np.array([0.0, 0.0, 9.80665])) - held
        size = np.linalg.norm(lift, axis=1)
        rotation = _turned(-lift / size[:, None])
        squared = np.maximum(size - axis_n * body[:, 2], 0.0) / (thrust * design.thrust_factor * 4)
        throttle = np.sqrt(squared) / design.full_speed_rad_s * design.full_voltage_v / of.voltage_v
    return replace(of, rotation=rotation, throttle=throttle, throttle_series=Series(of.time_s, throttle))


def left(of: Flight, unknowns: FloatArray) -> FloatArray:
    """What the model leaves of one flight, body axes."""
    return residuals([of], unknowns)[0].body_m_s2


def _turned(down: FloatArray) -> FloatArray:
    """Rotations with the body's down axis there, heading north."""
    forward = np.stack([down[:, 2], 0 * down[:, 0], -down[:, 0]], axis=-1)
    forward /= np.linalg.norm(forward, axis=1)[:, None]
    return np.stack([forward, np.cross(down, forward), down], axis=-1)


def _slow(values: FloatArray, lag_s: float) -> FloatArray:
    slow, share = np.zeros_like(values), STEP_S / (STEP_S + lag_s)
    for row in range(1, len(values)):
        slow[row] = slow[row - 1] + share * (values[row] - slow[row - 1])
    return slow
