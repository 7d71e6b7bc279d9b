"""How honest the estimator is about itself: normalised errors over many seeds, and containment of the stated radius.

Run as `python -m tests.benchmarks.estimator_consistency [--seeds 50] [--out FILE]`; it writes a table in Markdown.
With white sensor noise the normalised estimation error squared (NEES) of position, velocity and attitude, averaged
over the seeds, must lie between chi-square quantiles (Bar-Shalom, Li and Kirubarajan, Estimation with Applications
to Tracking and Navigation, 2001, section 5.4; from memory). With the sensors as they are, whose errors are
correlated, no such bound holds: then the share of flights within the stated 95 % radius is told.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from math import hypot, radians, sqrt
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from asflown.scenario.model import Conditions, Fault, Start, Wind
from asflown.sim.airframe import AIRFRAMES, Airframe
from asflown.sim.atmosphere import pressure_height_m
from asflown.sim.core import Core
from asflown.sim.interface import CraftSetup, Target

RADIUS_95 = 2.447_747 / sqrt(2.0)
"""The circle that holds 95 % of a circular normal distribution, over its root mean square distance."""
WIND = Wind(speed_m_s=2.0, from_rad=radians(240.0), turbulence="light")
LOSS = Fault(at_s=30.0, inject="gnss-loss", for_s=10.0)
CHECKS_S = (25.0, 40.0, 55.0)
CORNERS = ((8.0, 0.0), (8.0, 6.0), (0.0, 6.0), (0.0, 0.0))
COLUMNS = (
    "airframe",
    "sensors",
    "at",
    "NEES position",
    "NEES velocity",
    "NEES attitude",
    "NIS of fixes",
    "off, mean",
    "off, 95th",
    "stated 95 %, mean",
    "contained",
    "heading off, mean",
)
HEADER = (
    "# How consistent the estimator is",
    "",
    "Written by `python -m tests.benchmarks.estimator_consistency`. With white noise the normalised errors belong",
    "between the bounds. With the sensors as they are, fixes wander with an error that no filter can see; the filter's",
    "own position covariance leaves it out (its NEES means nothing there), the stated accuracy has it: look at",
    "`contained`, the share of flights within the stated 95 % radius. Without GNSS at 40 s the position is ten seconds",
    "of dead reckoning. A compass that turns by 5 degrees is within what the filter allows a compass: it is believed,",
    "and only the heading suffers.",
    "",
    "With 24 figures of white noise about one lies outside its bounds by chance; the same seeds fly in each row of an",
    "airframe, so a chance of the draw stands in all of them. What is known and left: the filter counts the vibration",
    "of mean hover, so it is a little too careful with velocity (2.4 to 3.2 where 3 is right), and with the sensors as",
    "they are a compass offset of the craft's own is a heading error that its covariance holds only in part.",
    "",
)
Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Case:
    """Which sensors, which faults."""

    name: str
    white: bool = False
    faults: tuple[Fault, ...] = ()
    compass_rad: float = 0.0


CASES = (
    Case("white noise", white=True),
    Case("as they are"),
    Case("no GNSS from 30 s to 40 s", faults=(LOSS,)),
    Case("compass 5 degrees off from 20 s on", compass_rad=radians(5.0)),
)


@dataclass(frozen=True, slots=True)
class Sample:
    """One look at a flight: normalised errors, and distances against what was stated."""

    nees: tuple[float, float, float]
    """Position, velocity, attitude: three degrees of freedom each."""
    nis: float
    off_m: float
    stated_m: float
    heading_deg: float


def white(airframe: Airframe) -> Airframe:
    """The same sensors with all correlated errors made white or taken away."""
    gnss = replace(airframe.gnss, time_constant_s=1e-9, velocity_time_constant_s=1e-9)
    barometer = replace(airframe.barometer, drift_pa=0.0)
    compass = replace(airframe.compass, offset_gauss=0.0, interference_gauss=0.0)
    return replace(airframe, gnss=gnss, barometer=barometer, compass=compass)


def fly(airframe: str, case: Case, seed: int) -> list[Sample]:
    """Looks at one flight round four corners, with turns, at CHECKS_S."""
    sheet = AIRFRAMES[airframe]
    setup = CraftSetup(airframe, "r1", Start(), Conditions(wind=WIND, faults=case.faults), seed)
    craft = Core(setup, white(sheet) if case.white else sheet)
    samples: list[Sample] = []
    base, zero_m = (0.0, 0.0, 0.0), 0.0
    for tick in range(1, 5501):
        if tick == 400:
            assert craft.arm() == ""
            base = craft.estimate.north_m, craft.estimate.east_m, craft.estimate.down_m
            zero_m = craft._estimator._ground_height_m - pressure_height_m(craft._plant.pressure_pa())
        if tick >= 400 and tick % 500 == 0:
            north, east = CORNERS[tick // 500 % 4]
            turn = 1.5 * (tick // 1000 % 3 - 1)
            craft.target = Target(base[0] + north, base[1] + east, base[2] - 4.0, yaw_rad=turn)
        if tick == 2000:
            craft._magnetometer.fault_rad += case.compass_rad
        craft.tick()
        if tick / 100.0 in CHECKS_S:
            samples.append(look(craft, zero_m))
    return samples


def look(craft: Core, zero_m: float) -> Sample:
    """The errors of this moment, in the estimator's own frame, whose zero of height lies `zero_m` off the ground."""
    estimator, s = craft._estimator, craft._estimator.strapdown
    row = craft.truth_row()
    north, east, _ = estimator._plane.to_ned(*craft._plant.geodetic())  # type: ignore[union-attr]
    position = np.array([north - s.north_m, east - s.east_m, row[3] + zero_m - s.down_m])
    believed = np.array([s.velocity_north_m_s, s.velocity_east_m_s, s.velocity_down_m_s])
    true = Rotation.from_euler("ZYX", [row[9], row[8], row[7]])
    psi = (true * Rotation.from_matrix(np.array(s.turned()).reshape(3, 3)).inv()).as_rotvec()
    p, e = estimator.filter.covariance, craft.estimate
    parts = [position, np.array(row[4:7]) - believed, psi]
    nees = [
        float(error @ np.linalg.solve(p[3 * i : 3 * i + 3, 3 * i : 3 * i + 3], error))
        for i, error in enumerate(parts)
    ]
    return Sample(
        (nees[0], nees[1], nees[2]),
        estimator.normalised_innovation,
        hypot(position[0], position[1]),
        RADIUS_95 * e.horizontal_accuracy_m,
        abs(float(np.degrees(psi[2]))),
    )


def bounds(freedom: int, flights: int) -> tuple[float, float]:
    """Between which the mean of `flights` independent normalised errors lies 95 times out of 100."""
    freedoms = freedom * flights
    return float(chi2.ppf(0.025, freedoms)) / flights, float(chi2.ppf(0.975, freedoms)) / flights


def table(seeds: int, airframes: tuple[str, ...] = tuple(AIRFRAMES)) -> str:
    """The whole report."""
    low, high = bounds(3, seeds)
    low_5, high_5 = bounds(5, seeds)
    moments = ", ".join(f"{moment_s:g} s" for moment_s in CHECKS_S)
    lines = [
        *HEADER,
        f"Means over {seeds} flights at each of {moments}. Bounds (95 %, chi-square): {low:.2f} to {high:.2f} for each",
        f"NEES (3 degrees of freedom), {low_5:.2f} to {high_5:.2f} for NIS (5).",
        "",
        "| " + " | ".join(COLUMNS) + " |",
        "|" + "---|" * len(COLUMNS),
    ]
    for airframe in airframes:
        for case in CASES:
            flights = [fly(airframe, case, seed) for seed in range(1, seeds + 1)]
            for index, moment_s in enumerate(CHECKS_S):
                lines.append(_row(airframe, case.name, moment_s, [flight[index] for flight in flights]))
    return "\n".join(lines) + "\n"


def _row(airframe: str, case: str, moment_s: float, samples: list[Sample]) -> str:
    nees = np.mean([sample.nees for sample in samples], axis=0)
    off = np.array([sample.off_m for sample in samples])
    stated = np.array([sample.stated_m for sample in samples])
    heading = np.mean([sample.heading_deg for sample in samples])
    nis = np.mean([sample.nis for sample in samples])
    return (
        f"| {airframe} | {case} | {moment_s:g} s | {nees[0]:.2f} | {nees[1]:.2f} | {nees[2]:.2f} | {nis:.2f} "
        f"| {off.mean():.2f} m | {np.percentile(off, 95):.2f} m | {stated.mean():.2f} m "
        f"| {(off <= stated).mean():.0%} | {heading:.1f} deg |"
    )


def main() -> None:
    """Flies and writes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=50)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    text = table(options.seeds)
    if options.out:
        options.out.write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
