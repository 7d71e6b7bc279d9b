"""The guard and the pilot's takeover in fifty injected situations, with the real vehicle, hub and guard in lockstep."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.record import folder as folders
from asflown.record import truth
from tests.flights.flying import COMMANDING, HELLO, fly, write_scenario
from tests.flights.guarded import Kit, Situation
from tests.flights.situations import SITUATIONS


@pytest.mark.parametrize("situation", SITUATIONS, ids=lambda situation: situation.name.replace(" ", "-"))
def test_a_situation_ends_as_it_should(situation: Situation) -> None:
    """The safety events in their order, where the vehicle ends, and whether the script was cut off."""
    kit = Kit(situation)
    kit.run()
    assert (kit.said, kit.end, kit.cut) == (situation.expect, situation.end, situation.cut), kit.safety
    assert 400 not in kit.guard_commands()


GONE_BY_THEN = (
    HELLO
    + COMMANDING
    + """
link.mav.param_set_send(1, 1, b"link.loss.act", 0, 6)  # here the pilot's radio, which keeps the link, is not seen
assert link.recv_match(type="PARAM_VALUE", blocking=True, timeout=5).param_value == 0
command(400, 1)
command(22, 0, 0, 0, 0, 0, 0, 2)
while link.recv_match(type="HEARTBEAT", blocking=True).custom_mode != 4301:
    link.mav.heartbeat_send(6, 8, 0, 0, 0)
"""
)
"""Ends as soon as the pilot's mode appears, which here is the one that follows upon taking off."""


def test_a_pilot_flies_on_for_as_long_as_it_suits_them(tmp_path: Path) -> None:
    """The script is over, and nobody asks for a landing or stops recording before the vehicle stands, minutes later."""
    vehicle = "asflown: 1\nname: piloted\nkind: built-in\nairframe: palm80\nidentity: {pilot_modes: [4301]}\n"
    (tmp_path / "piloted.vehicle.yaml").write_text(vehicle, encoding="utf-8")
    scenario = write_scenario(tmp_path, GONE_BY_THEN)
    text = scenario.read_text(encoding="utf-8").replace("vehicle: palm80", "vehicle: piloted.vehicle.yaml")
    scenario.write_text(text, encoding="utf-8")
    flown = fly(tmp_path, scenario)
    assert flown.exit_code == 4, flown.says()
    events = list(folders.read_events(flown.folders[0]))
    safety = [(event["time_us"], event["what"]) for event in events if event["kind"] == "safety"]
    assert [what for _, what in safety] == ["pilot: taken over", "vehicle: safe-recovery"], (
        "its battery brings it home"
    )
    over_us = next(event["time_us"] for event in events if event["kind"] == "script-ended")
    assert safety[1][0] - over_us > 110_000_000, "longer than anybody waits where no pilot has it"
    assert not truth.read(flown.folders[0])[-1, truth.TRUTH_COLUMNS.index("armed")], "it stands"
