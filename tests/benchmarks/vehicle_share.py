"""What a step of the whole vehicle costs against a step of the bare plant, and how that is shared out.

Run as `python -m tests.benchmarks.vehicle_share [--airframe NAME] [--json]`. Everything runs in this process: `bare` is
JSBSim's own step of the same airframe in the air, called in a loop. Parts are timed apart by calling them again and
again on the state of a flight in light wind; the least of several repetitions counts. Microseconds for one step of
2.5 ms; what runs more seldom is spread over its steps.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from math import radians
from time import perf_counter, process_time

from asflown.scenario.model import Conditions, Identity, Start, Wind
from asflown.sim.airframe import AIRFRAMES
from asflown.sim.craft import Craft
from asflown.sim.estimator.strapdown import Strapdown
from asflown.sim.interface import CraftSetup, Target
from asflown.sim.plant import Plant

REPETITIONS = 25
SECOND_TICKS = 100
WIND = Wind(speed_m_s=2.0, from_rad=radians(240.0), turbulence="light")
Row = tuple[str, float]


def flying(airframe: str) -> Craft:
    """A craft that hovers at 5 m, streaming its telemetry."""
    craft = Craft(CraftSetup(airframe, "r1", Start(), Conditions(wind=WIND), 1), Identity())
    for tick in range(1, 1501):
        if tick == 400:
            assert craft.core.arm() == ""
        if tick >= 400:
            craft.core.target = Target(0.0, 0.0, -5.0, yaw_rad=0.0)
            craft.core.tick()
        else:
            craft.tick(tick * 10_000)
    return craft


def best_us(work: Callable[[], object], times: int, steps: float) -> float:
    """Microseconds for one step, when `work` is called `times` times and each call stands for `steps` steps."""
    fastest = float("inf")
    for _ in range(REPETITIONS):
        begin = process_time()
        for _ in range(times):
            work()
        fastest = min(fastest, process_time() - begin)
    return fastest * 1e6 / (times * steps)


def by_tick_us(work: Callable[[], object], repetitions: int = REPETITIONS) -> float:
    """Microseconds for one step, when each call of `work` is a tick of four.

    A second of flight is repeated, in which everything happens that happens regularly; of each of its ticks the least
    counts. So other work on the machine is left out as far as it can be.
    """
    least = [float("inf")] * SECOND_TICKS
    for _ in range(repetitions):
        for tick in range(SECOND_TICKS):
            begin = perf_counter()
            work()
            least[tick] = min(least[tick], perf_counter() - begin)
    return sum(least) * 1e6 / (4 * SECOND_TICKS)


def core_tick(craft: Craft) -> Callable[[], None]:
    """A tick of the flight core alone."""
    core, ticks = craft.core, [0]

    def tick() -> None:
        core.tick()
        ticks[0] += 1
        if ticks[0] % 10 == 0:
            core.drain_state()

    return tick


def craft_tick(craft: Craft) -> Callable[[], None]:
    """A tick of the craft with autopilot's target, telemetry and its encoding."""
    core, telemetry, tick_core = craft.core, craft._telemetry.tick, core_tick(craft)

    def tick() -> None:
        core.target = Target(0.0, 0.0, -5.0, yaw_rad=0.0)
        telemetry()
        tick_core()
        craft.take_frames()

    return tick


def bare_tick(airframe: str, *, ground: bool) -> Callable[[], None]:
    """A tick of JSBSim alone, up in the air; looking for the ground each step, as it does by default, or not."""
    plant = Plant(airframe, Start(), AIRFRAMES[airframe].rest_height_m)
    plant.write("ic/h-agl-ft", 3000.0)
    plant._fdm.run_ic()
    plant.step((0.62, 0.62, 0.62, 0.62))
    plant.write("simulation/models/FGGroundReactions/enabled", float(ground))
    run = plant._fdm.run

    def tick() -> None:
        run()
        run()
        run()
        run()

    return tick


def alternating(airframe: str, pairs: int) -> list[tuple[float, float]]:
    """Microseconds of a step of the whole vehicle and of bare JSBSim by turns, so many times."""
    whole, bare = craft_tick(flying(airframe)), bare_tick(airframe, ground=True)
    return [(by_tick_us(whole, 5), by_tick_us(bare, 5)) for _ in range(pairs)]


def parts_us(craft: Craft) -> list[Row]:
    """Each part of the core, timed apart."""
    core = craft.core
    plant, imu, estimator = core._plant, core._imu, core._estimator  # type: ignore[attr-defined]
    control, commands = core._controller, core._commands  # type: ignore[attr-defined]
    strapdown, state = Strapdown(estimator.strapdown.gravity_m_s2), list(plant.state)
    sample, read = imu.sample(state), plant.drain_state
    step = best_us(lambda: plant.step(commands), 200, 1)
    read()
    field, pressure = core.readings.magnetic_frd_gauss, core.readings.pressure_pa
    tick = [10_000]

    def correct() -> None:
        tick[0] += 2
        estimator.take_field(
            tick[0], (field[0], field[1], field[2] + 1e-9 * tick[0]), pressure + 1e-6 * tick[0]
        )

    return [
        ("plant with its state read and kept", step),
        ("IMU", best_us(lambda: imu.sample(state), 2000, 1)),
        ("strapdown", best_us(lambda: strapdown.propagate(sample), 2000, 1)),
        ("attitude, rates, mixer", best_us(control._attitude.step, 2000, 1)),
        (
            "position loop and reference",
            best_us(lambda: control.update(core.target, core.limits, 3.8, 1.0), 200, 4),
        ),
        ("estimator, corrections at 25 Hz", best_us(correct, 200, 8)),
        ("wind", best_us(core._blow, 500, 8)),  # type: ignore[attr-defined]
    ]


def measured(airframe: str) -> dict[str, float]:
    """Microseconds of one step: the parts, then the whole vehicle, the flight core alone, and bare JSBSim."""
    craft = flying(airframe)
    core_us, craft_us = by_tick_us(core_tick(craft)), by_tick_us(craft_tick(craft))
    parts = dict(parts_us(craft))
    parts["slower sensors, publishing, battery, loop"] = core_us - sum(parts.values())
    parts["telemetry and its encoding"] = craft_us - core_us
    return {
        **parts,
        "whole vehicle": craft_us,
        "flight core alone": core_us,
        "bare JSBSim": by_tick_us(bare_tick(airframe, ground=True)),
        "bare JSBSim that looks for no ground": by_tick_us(bare_tick(airframe, ground=False)),
    }


def table(airframe: str) -> list[str]:
    """The rows of one airframe."""
    found = measured(airframe)
    whole, core = found["whole vehicle"], found["flight core alone"]
    lines = [f"{airframe}: microseconds of one step of 2.5 ms"]
    for name, us in found.items():
        bare = name.startswith("bare")
        beside = f"share {us / whole:.2f} (core alone {us / core:.2f})" if bare else f"{us / whole:5.0%}"
        lines.append(f"  {name:44} {us:6.2f}  {beside}")
    return lines


def main() -> None:
    """Prints both tables, or what is in them as JSON."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--airframe", choices=list(AIRFRAMES), action="append")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--pairs", type=int, metavar="N", help="only whole vehicle and bare JSBSim, by turns")
    options = parser.parse_args()
    airframes = options.airframe or list(AIRFRAMES)
    if options.pairs is not None:
        print(json.dumps({airframe: alternating(airframe, options.pairs) for airframe in airframes}))
    elif options.json:
        print(json.dumps({airframe: measured(airframe) for airframe in airframes}))
    else:
        print("\n".join(line for airframe in airframes for line in table(airframe)))


if __name__ == "__main__":
    main()
