"""Calibration of a simulated vehicle to flown captures: what they show, what they cannot, and what it is good for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from asflown.campaign.calibration.capture import Capture, read_capture
from asflown.campaign.calibration.delay import LEAST_STEPS, response_delay
from asflown.campaign.calibration.fit import Estimate, Fit, fit
from asflown.campaign.calibration.instruments import instrument
from asflown.campaign.calibration.model import Flight, rotor_speeds
from asflown.campaign.calibration.motor import is_quick, motor_lag
from asflown.campaign.calibration.noise import Noise, quick_noise
from asflown.campaign.calibration.predict import PredictionError, prediction_error
from asflown.errors import FolderProblem, VehicleProblem
from asflown.scenario.model import CraftShares, VehicleFile
from asflown.sim.airframe import airframe_named
from asflown.sim.sheet import Numbers, numbers_of

MOST_UNSURE = 0.5
"""A share whose interval reaches farther than this to either side, of its own size, is not shown."""


@dataclass(frozen=True, slots=True)
class HeldOut:
    """A flight that was not fitted to, and how well it is predicted."""

    name: str
    before: PredictionError
    after: PredictionError


@dataclass(frozen=True, slots=True)
class Calibration:
    """What the captures show. Shares are of the airframe's design, at the mass that the vehicle is said to have."""

    vehicle: VehicleFile
    airframe: str
    mass_kg: float
    hover_throttle: tuple[float, Estimate] | None
    """With a full pack: by the vehicle as it was, and as fitted. None when throttle does not show."""
    thrust: Estimate | None
    drag: Estimate | None
    delay_s: Estimate | None
    motor_lag_s: Estimate | None
    noises: tuple[Noise, ...]
    winds_m_s: tuple[float, ...]
    """Mean wind of each flight, as it had to be for the rest to fit."""
    not_shown: tuple[str, ...]
    """In plain words."""
    held_out: tuple[HeldOut, ...]
    flights: tuple[str, ...]
    airborne_s: float
    """All of them together."""
    flown_on: tuple[str, ...]

    @property
    def shares(self) -> CraftShares:
        """The craft as fitted; what did not show stays as it was."""
        told = {"thrust": self.thrust, "drag": self.drag}
        found = {name: one.value for name, one in told.items() if one is not None}
        return self.vehicle.craft.model_copy(update=found)


def calibrated(vehicle: VehicleFile, places: Sequence[Path], held_out: Sequence[Path] = ()) -> Calibration:
    """Fits the vehicle's craft to the flights at `places`.

    Raises VehicleProblem for a vehicle that has no simulated airframe, FolderProblem for captures that show nothing,
    and where the flights are those of another craft.
    """
    airframe = airframe_of(vehicle)
    design = numbers_of(airframe_named(airframe))
    captures = [_read(place, airframe) for place in places]
    reserved = [_read(place, airframe) for place in held_out]
    flights = [_flight(capture, design) for capture in captures]
    mass = vehicle.craft.mass
    found = fit(flights, (vehicle.craft.thrust / mass, vehicle.craft.drag / mass))
    throttled = all(one.throttle is not None and one.voltage_v is not None for one in captures)
    thrust = _times(found.thrust, mass) if throttled else None
    dragged = _times(found.drag, mass)
    _refuse_other_craft(airframe, thrust, dragged)
    drag = dragged if _is_shown(dragged) else None
    thrust = thrust if thrust is not None and _is_shown(thrust) else None
    delay_s, lag_s = response_delay(captures), motor_lag(captures)
    result = Calibration(
        vehicle, airframe, design.mass_kg * mass, _hover(vehicle, design, thrust), thrust, drag, delay_s, lag_s,
        tuple(quick_noise(captures)), _winds(found),
        tuple(_not_shown(captures, flights, thrust=thrust, drag=drag, delay_s=delay_s, lag_s=lag_s)),
        (), tuple(one.name for one in captures), sum(one.airborne_s for one in captures),
        tuple(sorted({one.flown_on for one in captures if one.flown_on})),
    )  # fmt: skip
    predicted = tuple(_predicted(result, _flight(one, design)) for one in reserved)
    return _with_held_out(result, predicted)


def airframe_of(vehicle: VehicleFile) -> str:
    """The simulated airframe of a vehicle. Raises VehicleProblem where it has none."""
    name = vehicle.airframe or vehicle.simulates
    if name is None:
        raise VehicleProblem(
            f"{vehicle.name} has no simulated airframe to fit",
            "Name palm80 or field1400, or write `simulates:` into its file",
        )
    return name


def _read(place: Path, airframe: str) -> Capture:
    capture = read_capture(place)
    if capture.airframe not in (None, airframe):
        raise FolderProblem(
            f"{place} was flown by {capture.airframe}, not {airframe}",
            f"Calibrate {capture.airframe} with it",
        )
    return capture


def _flight(capture: Capture, design: Numbers) -> Flight:
    return Flight(capture, design, rotor_speeds(capture, design), instrument(capture)[0])


def _times(of: Estimate, factor: float) -> Estimate:
    return Estimate(of.value * factor, of.low * factor, of.high * factor)


def _is_shown(of: Estimate) -> bool:
    return of.half <= MOST_UNSURE * of.value


def _refuse_other_craft(airframe: str, thrust: Estimate | None, drag: Estimate) -> None:
    """A share that no craft of this kind can have says that the capture is of another one."""
    for name, found in (("thrust", thrust), ("drag", drag)):
        if found is None:
            continue
        low, high = _allowed(name)
        if found.high < low or found.low > high:
            raise FolderProblem(
                f"these flights are not those of a {airframe}: its {name} would be {found.value:.0%} of the design's",
                "Look whether it is the right vehicle and the right mass",
            )


def _allowed(name: str) -> tuple[float, float]:
    """The ends of what a vehicle file may say."""
    limits = CraftShares.model_fields[name].metadata
    low = next(part.ge for part in limits if hasattr(part, "ge"))
    return float(low), float(next(part.le for part in limits if hasattr(part, "le")))


def _hover(vehicle: VehicleFile, design: Numbers, thrust: Estimate | None) -> tuple[float, Estimate] | None:
    if thrust is None:
        return None
    mass = vehicle.craft.mass

    def throttle(share: float) -> float:
        return design.command(design.rotor_speed_rad_s(design.weight_n * mass / share), 1.0)

    ends = throttle(thrust.high), throttle(thrust.low)
    return throttle(vehicle.craft.thrust), Estimate(throttle(thrust.value), *ends)


def _winds(found: Fit) -> tuple[float, ...]:
    return tuple(float(np.hypot(one[0], one[1])) for one in found.nuisance)


def _predicted(result: Calibration, flight: Flight) -> HeldOut:
    old, new = result.vehicle.craft, result.shares
    before = prediction_error(flight, old.thrust / old.mass, old.drag / old.mass)
    after = prediction_error(flight, new.thrust / new.mass, new.drag / new.mass)
    return HeldOut(flight.capture.name, before, after)


def _with_held_out(result: Calibration, held_out: tuple[HeldOut, ...]) -> Calibration:
    return replace(result, held_out=held_out)


def _not_shown(
    captures: list[Capture],
    flights: list[Flight],
    *,
    thrust: Estimate | None,
    drag: Estimate | None,
    delay_s: Estimate | None,
    lag_s: Estimate | None,
) -> list[str]:
    """A sentence for each thing that these captures, or any, cannot show."""
    told = ["mass, thrust and drag apart: only their ratios move a craft, so weigh it and write `mass` down"]
    if thrust is None:
        missing = [
            word
            for word, has in (
                ("throttle (VFR_HUD)", all(one.throttle is not None for one in captures)),
                ("battery voltage (SYS_STATUS)", all(one.voltage_v is not None for one in captures)),
            )
            if not has
        ]
        why = f"there is no {' and no '.join(missing)} in them" if missing else "too much is left to chance"
        told.append(f"thrust over weight: {why}")
    if drag is None:
        told.append(
            "drag: the craft flies too slowly, or always one way; fly there and back at several speeds"
        )
    elif not all(instrument(flight.capture)[1] for flight in flights):
        told.append(
            "drag free of what gusts do: no set-points that the craft followed are in them, so its own "
            "velocity stands in, and strong gusts pull drag off by some per cent"
        )
    if delay_s is None:
        told.append(
            f"the delay of its answers: fewer than {LEAST_STEPS} clear steps of set-points are in them"
        )
    if lag_s is None:
        told.append(_no_lag(captures))
    told.append("warm or thin air: what it takes of thrust and drag is in the shares")
    told.append("slow errors of the sensors (bias, drift): they look like motion or wind")
    return told


def _no_lag(captures: list[Capture]) -> str:
    if any(is_quick(one) for one in captures):
        return "the motors' lag: force does not follow throttle clearly enough; fly longer, or up and down"
    rates = (max(getattr(one, f"{name}_hz") for one in captures) for name in ("throttle", "upright"))
    throttle_hz, upright_hz = rates
    return (
        "the motors' lag: that takes throttle (VFR_HUD) and accelerations (HIGHRES_IMU) at 50 Hz or more, "
        f"and they come at {throttle_hz:.0f} and {upright_hz:.0f} Hz"
    )
