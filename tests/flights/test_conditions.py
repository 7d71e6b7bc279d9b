"""Conditions that a campaign draws change the flight: each flown beside the same flight without it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from asflown.campaign.flying import Task, fly_task
from asflown.campaign.plan import Drawn
from asflown.record import decode, folder, truth
from tests.flights.flying import HELLO, write_scenario

SCRIPT = (
    HELLO
    + """
def until(kind, holds):
    while True:
        message = link.recv_match(type=kind, blocking=True, timeout=5)
        if message is not None and holds(message):
            return
        link.mav.heartbeat_send(6, 8, 0, 0, 0)

until("HEARTBEAT", lambda m: m.autopilot != 8 and m.system_status == 3)
link.mav.command_long_send(1, 1, 400, 0, 1, 0, 0, 0, 0, 0, 0)
time.sleep(0.3)
link.mav.command_long_send(1, 1, 22, 0, 0, 0, 0, 0, 0, 0, 2)
until("LOCAL_POSITION_NED", lambda m: m.z < -1.7)
time.sleep(4)
link.mav.command_long_send(1, 1, 21, 0, 0, 0, 0, 0, 0, 0, 0)
until("HEARTBEAT", lambda m: not m.base_mode & 128)
"""
)
MORE = """\
conditions:
  wind: {speed: 0 m/s, gusts: [{at: 8 s, speed: 0.1 m/s, for: 3 s, from: 0 deg}]}
  faults: [{at: 900 s, inject: gnss-loss}]
"""


@pytest.fixture(scope="module")
def scenario(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Up, four seconds, down."""
    return write_scenario(tmp_path_factory.mktemp("conditions"), SCRIPT, more=MORE)


class Flown:
    """One flight, and what it shows."""

    def __init__(self, scenario: Path, given: dict[str, str]) -> None:
        task = Task(Drawn(0, 7, given), scenario, "palm80", "lockstep", scenario.parent / "flights", "all")
        self.outcome = fly_task(task)
        assert self.outcome.folder, self.outcome.reason
        self.place = Path(self.outcome.folder)
        rows = truth.read(self.place)
        self.columns = dict(zip(truth.TRUTH_COLUMNS, rows.T, strict=True))

    def first(self, name: str) -> float:
        """Of a column of the truth."""
        return float(self.columns[name][0])

    def most(self, name: str) -> float:
        """The largest size in a column of the truth."""
        return float(np.abs(self.columns[name]).max())

    def messages(self, message_id: int, tlog: str = folder.VEHICLE_TLOG) -> npt.NDArray[np.void]:
        """All messages of a kind."""
        return decode.columns(decode.index(self.place / tlog), message_id)

    def throttle(self) -> float:
        """Mean throttle in per cent while hovering."""
        found = self.messages(74)["throttle"]
        return float(np.median(found[found > 40]))

    def restlessness(self) -> float:
        """How much the reported upright velocity jumps from sample to sample."""
        return float(np.diff(self.messages(32)["vz"]).std())


@pytest.fixture(scope="module")
def plain(scenario: Path) -> Flown:
    """The flight as the file says."""
    return Flown(scenario, {})


@pytest.mark.flight
def test_start_and_battery_are_what_was_drawn(scenario: Path, plain: Flown) -> None:
    """The craft stands there, looks there, has that charge."""
    given = {"start.offset.north": "5 m", "start.offset.east": "-2 m", "start.heading": "90 deg"}
    found = Flown(scenario, given | {"start.battery": "60 %"})
    names = ("north_m", "east_m", "yaw_rad", "battery")
    assert [plain.first(name) for name in names] == pytest.approx([0, 0, 0, 1], abs=1e-3)
    assert [found.first(name) for name in names] == pytest.approx([5, -2, np.pi / 2, 0.6], abs=1e-3)


@pytest.mark.flight
def test_a_heavy_craft_takes_more_throttle(scenario: Path, plain: Flown) -> None:
    """By about the root of its mass, and a little for the sag."""
    found = Flown(scenario, {"conditions.craft.mass": "120 %"})
    assert 1.07 < found.throttle() / plain.throttle() < 1.2


@pytest.mark.flight
def test_poor_sensors_report_restlessly(scenario: Path, plain: Flown) -> None:
    """What the estimate does with three times the noise shows in what it says."""
    found = Flown(scenario, {"conditions.craft.sensor_errors": "300 %"})
    assert found.restlessness() > 1.3 * plain.restlessness()


@pytest.mark.flight
def test_a_gust_pushes_the_craft(scenario: Path, plain: Flown) -> None:
    """It leans into the wind that comes, and not without it."""
    found = Flown(scenario, {"conditions.wind.gusts.0.speed": "6 m/s"})
    assert plain.most("pitch_rad") < 0.1
    assert found.most("pitch_rad") > 0.3


@pytest.mark.flight
def test_a_fault_comes_when_it_was_drawn(scenario: Path) -> None:
    """The receiver loses its fix then, and not before."""
    found = Flown(scenario, {"conditions.faults.0.at": "9 s", "conditions.faults.0.for": "1 s"})
    fixes = found.messages(24)
    begin_us = folder.read_manifest(found.place).clock.epoch_us
    lost_s = (fixes["time_us"][fixes["fix_type"] < 3] - begin_us) / 1e6
    lost_s = lost_s[lost_s > 5]  # before the first fix there is none either
    assert 8.9 < lost_s.min() < 10.0
    assert lost_s.max() < 10.9


@pytest.mark.flight
def test_a_link_profile_delays_the_script(scenario: Path, plain: Flown) -> None:
    """Over a slow radio the script hears later that it may begin, and asks later."""
    found = Flown(scenario, {"conditions.radio": "sub-ghz-telemetry"})
    asked_s = [
        (one.messages(76, folder.SCRIPT_TLOG)["time_us"][0] - folder.read_manifest(one.place).clock.epoch_us)
        / 1e6
        for one in (plain, found)
    ]
    assert asked_s[1] > asked_s[0] + 0.02
