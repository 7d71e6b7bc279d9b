"""A full flight through every failsafe, drawn: where it went, how high, in which mode, and what it said.

Run as `python -m tests.benchmarks.failsafe_flights [--out FOLDER]`. Writes one picture for each airframe, and a table.
Every flight takes off to 4 m, flies out to the north, and meets its trouble on the way.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pymavlink.dialects.v20 import common as mav

from asflown.scenario.model import Conditions, Fault, Identity, Start, Wind
from asflown.sim.craft import Craft
from asflown.sim.identity import ModeName
from asflown.sim.interface import CraftSetup
from asflown.sim.parameters import spec_by_name
from tests.benchmarks.page import put, table
from tests.unit.sim.rig import EPOCH_US, POSITION_ONLY, Rig

FOLDER = Path(__file__).parents[2] / "harness" / "docs" / "failsafes"
AIRFRAMES = ("palm80", "field1400")
TROUBLE_S = 20.0
AT_MOST_S = 150.0
HEARTBEAT = mav.MAVLink_heartbeat_message(6, 8, 0, 0, 4, 3)
SET_POINTS = ModeName.SET_POINTS.words
WIND = Wind(speed_m_s=2.0, from_rad=4.0, turbulence="light")
COLOURS = {
    "position hold": "#0072b2", "take off": "#999999", "set points": "#111111", "safe recovery": "#e69f00",
    "land": "#d55e00", "mission": "#cc79a7", "orbit": "#56b4e9",
}  # fmt: skip


@dataclass(frozen=True)
class Trouble:
    """What goes wrong: faults of the scenario, parameters set on the ground, and what is done in flight."""

    name: str
    faults: tuple[Fault, ...] = ()
    parameters: dict[str, float] = field(default_factory=dict)
    battery: float = 1.0
    act: Callable[[Flight], None] = lambda flight: None
    heard: bool = True
    """Whether the ground goes on sending heartbeats."""
    far_m: float = 25.0


class Flight(Rig):
    """One flight of the real craft."""

    def __init__(self, airframe: str, trouble: Trouble) -> None:
        super().__init__()
        conditions = Conditions(wind=WIND, faults=trouble.faults)
        setup = CraftSetup(airframe, "r1", Start(battery=trouble.battery), conditions, seed=5)
        self.craft = Craft(setup, Identity(), epoch_us=EPOCH_US)
        self.core: Any = self.craft.core
        self.rows: list[tuple[float, float, float, float, str, bool]] = []
        self.said: list[tuple[float, str]] = []
        self._texts = 0

    def set_parameter(self, name: str, value: float) -> None:
        """By the parameter protocol."""
        spec = spec_by_name(name)
        assert spec is not None, name
        self.send(mav.MAVLink_param_set_message(1, 1, name.encode(), value, spec.kind))

    def step(self, *, heard: bool = True) -> None:
        """0.1 s, with a heartbeat each second."""
        if heard and self.now_us % 1_000_000 == 0:
            self.send(HEARTBEAT)
        self.run(0.1)
        _, north, east, down, *_ = self.craft.truth_row()
        mode = self.craft.autopilot.mode.name.words
        self.rows.append((self.now_us * 1e-6, north, east, -down, mode, self.core.armed))
        texts = self.texts()
        self.said += [(self.now_us * 1e-6, text) for text in texts[self._texts :]]
        self._texts = len(texts)


def _breathe_sticks(flight: Flight) -> None:
    """The pilot flies forward for three seconds, then is silent."""
    for _ in range(30):
        flight.send(mav.MAVLink_manual_control_message(1, 300, 0, 500, 0, 0))
        flight.step()


def _reserve(flight: Flight) -> None:
    """The limit is moved above what is left, which is the same as having used it."""
    flight.set_parameter("battery.reserve", 0.89)


def _critical(flight: Flight) -> None:
    flight.set_parameter("battery.critical", 0.88)


TROUBLES = (
    Trouble("tilt (a motor stops)", faults=(Fault(at_s=TROUBLE_S, inject="motor-stop"),)),
    Trouble("position lost (no GNSS for good)", faults=(Fault(at_s=TROUBLE_S, inject="gnss-loss"),),
            parameters={"gnss.loss.act": 0}),
    Trouble("estimator (compass turned by 100 deg)", parameters={"estimator.time": 0.5},
            faults=(Fault(at_s=TROUBLE_S, inject="compass-offset", severity=4.0),)),
    Trouble("battery reserve", battery=0.6, act=_reserve),
    Trouble("battery critical", battery=0.6, act=_critical),
    Trouble("no GNSS fix for 15 s", faults=(Fault(at_s=TROUBLE_S, inject="gnss-loss", for_s=15.0),)),
    Trouble("fence (10 m)", parameters={"fence.distance": 10}),
    Trouble("ground silent", heard=False),
    Trouble("sticks silent", act=_breathe_sticks),
)  # fmt: skip


def flown(airframe: str, trouble: Trouble) -> Flight:
    """The whole flight, until its motors stop or it has hung in the air long enough."""
    flight = Flight(airframe, trouble)
    while flight.now_us < 5_000_000:
        flight.step()
    for name, value in trouble.parameters.items():
        flight.set_parameter(name, value)
    if trouble.parameters.get("fence.distance"):
        flight.command(mav.MAV_CMD_DO_FENCE_ENABLE, 1)
    flight.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
    flight.command(mav.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, 4.0)
    while flight.now_us < 14_000_000:
        flight.step()
    flight.select(ModeName.SET_POINTS)
    flight.set_point(1, POSITION_ONLY, (trouble.far_m, 0, -4))
    while flight.now_us < TROUBLE_S * 1e6:
        flight.step()
    trouble.act(flight)
    while flight.core.armed and flight.now_us < AT_MOST_S * 1e6:
        flight.step(heard=trouble.heard)
    return flight


def reaction(flight: Flight) -> tuple[float, str]:
    """When the craft first left set-points by itself, and what it had just said; NaN when it never did."""
    for before, (time_s, *_, mode, armed) in zip(flight.rows, flight.rows[1:], strict=False):
        if armed and before[4] == SET_POINTS != mode:
            said = [
                text
                for at_s, text in flight.said
                if abs(at_s - time_s) < 0.15 and not text.startswith("mode:")
            ]
            return time_s, "; ".join(said)
    return float("nan"), "carried on"


def draw(airframe: str, flights: dict[str, Flight], file: Path) -> None:
    """Plan view and height over time of each flight, coloured by mode."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt
    from matplotlib.lines import Line2D

    figure, axes = plt.subplots(len(flights), 2, figsize=(11, 2.3 * len(flights)), width_ratios=(1, 2.2))
    for (name, flight), (plan, side) in zip(flights.items(), axes, strict=True):
        for one, other in zip(flight.rows, flight.rows[1:], strict=False):
            colour = COLOURS.get(one[4], "black")
            plan.plot([one[2], other[2]], [one[1], other[1]], color=colour, linewidth=1.2)
            side.plot([one[0], other[0]], [one[3], other[3]], color=colour, linewidth=1.2)
        plan.set_aspect("equal", adjustable="datalim")
        plan.set_ylabel("north, m", fontsize=7)
        side.set_ylabel("height, m", fontsize=7)
        side.axvline(TROUBLE_S, color="#999999", linestyle=":", linewidth=0.8)
        side.set_title(name, fontsize=9, loc="left")
        for number, (at_s, text) in enumerate(entry for entry in flight.said if entry[0] > TROUBLE_S - 6):
            side.annotate(text, (at_s, 0), (at_s, 0.2 + 0.9 * (number % 4)), fontsize=5.5, color="#444444")
        for axis in (plan, side):
            axis.tick_params(labelsize=6)
            axis.grid(visible=True, linewidth=0.3)
    axes[-1][0].set_xlabel("east, m", fontsize=7)
    axes[-1][1].set_xlabel("time since power-up, s", fontsize=7)
    handles = [Line2D([], [], color=colour, label=name) for name, colour in COLOURS.items()]
    figure.legend(handles=handles, ncols=7, fontsize=7, loc="upper center")
    figure.suptitle(f"{airframe}: every failsafe", fontsize=10, y=0.998, x=0.1)
    figure.tight_layout(rect=(0, 0, 1, 0.985))
    file.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(file, dpi=80)
    plt.close(figure)


def main() -> None:
    """Flies, draws and prints."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=FOLDER)
    parser.add_argument("--page", action="store_true", help="write the table into harness/docs/failsafes.md")
    options = parser.parse_args()
    rows = []
    for airframe in AIRFRAMES:
        flights = {trouble.name: flown(airframe, trouble) for trouble in TROUBLES}
        for name, flight in flights.items():
            at_s, said = reaction(flight)
            modes = list(dict.fromkeys(row[4] for row in flight.rows if row[0] > at_s - 0.05))
            time_s, north, east, up, _, armed = flight.rows[-1]
            place = f"{north:.1f}, {east:.1f}, {up:.1f} m"
            ends = f"{'in the air' if armed else 'on the ground'} at {place}, {time_s:.0f} s"
            rows.append([airframe, name, f"{at_s:.1f} s", said, ", ".join(modes), ends])
        draw(airframe, flights, options.out / f"{airframe}.png")
    text = table(["airframe", "trouble", "reacts at", "after saying", "then", "ends"], rows)
    print(text)
    if options.page:
        put("failsafes.md", "failsafe_flights.py", text)


if __name__ == "__main__":
    main()
