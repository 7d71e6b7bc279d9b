"""One craft as it is, beside its airframe as it was designed: heavier, weaker, draggier, with poorer sensors.

The flight controller and its estimator keep the airframe's own numbers: they were made for the design.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TypeVar

from asflown.scenario.model import CraftShares
from asflown.sim.airframe import Airframe
from asflown.sim.plant import Plant

_DRAG = (
    "craft/drag-area-horizontal-m2",
    "craft/drag-area-vertical-m2",
    "rotor/side-drag-n-s2-per-m",
)
_KEPT = frozenset({"period_ticks", "delay_ticks", "satellites", "instability_s", "least_m", "most_m"})
_KEPT_ENDS = ("time_constant_s",)

Sheet = TypeVar("Sheet")


def alter(plant: Plant, shares: CraftShares) -> None:
    """Makes a plant that stands on the ground the craft that `shares` tell of. Call it once.

    What it weighs more sits at the centre of gravity, so moments of inertia stay. `thrust` is that of each rotor at
    a given speed.
    """
    if shares.mass != 1.0:
        weight = plant.read("inertia/empty-weight-lbs") * (shares.mass - 1.0)
        plant.write("inertia/pointmass-weight-lbs", weight)
    for name, share in (("rotor/thrust-n-s2", shares.thrust), *((name, shares.drag) for name in _DRAG)):
        if share != 1.0:
            plant.write(name, plant.read(name) * share)


def with_sensors_of(airframe: Airframe, shares: CraftShares) -> Airframe:
    """The sheet with all errors of its sensors scaled; rates, delays and ranges stay."""
    share = shares.sensor_errors
    if share == 1.0:
        return airframe
    return replace(
        airframe,
        imu=_scaled(airframe.imu, share),
        gnss=_scaled(airframe.gnss, share),
        barometer=_scaled(airframe.barometer, share),
        compass=_scaled(airframe.compass, share),
        rangefinder=_scaled(airframe.rangefinder, share),
    )


def _scaled(sheet: Sheet, share: float) -> Sheet:
    names = [field.name for field in fields(sheet)]  # type: ignore[arg-type]
    errors = [name for name in names if name not in _KEPT and not name.endswith(_KEPT_ENDS)]
    return replace(sheet, **{name: getattr(sheet, name) * share for name in errors})  # type: ignore[type-var]
