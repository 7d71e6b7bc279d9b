"""The guard and the pilot's takeover in fifty injected situations, with the real vehicle, hub and guard in lockstep."""

from __future__ import annotations

import pytest

from tests.flights.guarded import Kit, Situation
from tests.flights.situations import SITUATIONS


@pytest.mark.parametrize("situation", SITUATIONS, ids=lambda situation: situation.name.replace(" ", "-"))
def test_a_situation_ends_as_it_should(situation: Situation) -> None:
    """The safety events in their order, where the vehicle ends, and whether the script was cut off."""
    kit = Kit(situation)
    kit.run()
    assert (kit.said, kit.end, kit.cut) == (situation.expect, situation.end, situation.cut), kit.safety
    assert 400 not in kit.guard_commands()
