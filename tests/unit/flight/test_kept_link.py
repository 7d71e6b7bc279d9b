"""The conductor's side of a keeper that ends before the flight does: a real keeper of a served vehicle."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from asflown.clock.paced import PacedClock
from asflown.flight.kept_link import KeptLink
from asflown.vehicle.keeper_order import KeeperOrder
from tests.unit.vehicle.test_serve import served

SAYS = {
    signal.SIGTERM: "the keeper of the vehicle was ended from outside, and brought the vehicle down",
    signal.SIGKILL: "the keeper of the vehicle has gone",
}


@pytest.mark.wall_time
@pytest.mark.parametrize("number", SAYS, ids=lambda number: number.name)
def test_a_keeper_that_ends_by_itself_is_the_problem_at_once(tmp_path: Path, number: signal.Signals) -> None:
    """Whether it says good-bye or not: it is not taken for a vehicle that fell silent, fifteen seconds later."""
    clock = PacedClock()

    async def until_it_has_gone(vehicle: str) -> KeptLink:
        def order(control: Path) -> KeeperOrder:
            return KeeperOrder(vehicle=vehicle, captures=tmp_path / "captures", control=control)

        kept = KeptLink(clock, order, 1)
        os.kill(kept._process.pid, number)
        end_us = clock.now_us() + 20_000_000
        while not kept.is_over and clock.now_us() < end_us:
            await clock.sleep_until(clock.now_us() + 50_000)
        kept.close()
        return kept

    with served("--listen", "udp-listen://127.0.0.1:0") as (_, link):
        kept = clock.run(until_it_has_gone(link.replace("udp-listen", "udp")))
    assert kept.problem is not None
    assert kept.problem.problem == SAYS[number]
