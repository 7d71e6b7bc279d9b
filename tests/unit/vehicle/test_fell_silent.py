"""What is said of a vehicle that was heard, and is not any more."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.vehicle.base import fell_silent

LOST = "the vehicle was lost: no heartbeat since 17.7 s"


@pytest.mark.parametrize("link", [None, "udp://127.0.0.1:14550", "serial://{there}?baud=57600"])
def test_a_vehicle_whose_port_is_there_is_lost(tmp_path: Path, link: str | None) -> None:
    """Its power or its link: nobody can tell."""
    (tmp_path / "tty").touch()
    found = fell_silent(17_700_000, None if link is None else link.format(there=tmp_path / "tty"))
    assert (found.problem, "power" in found.remedy) == (LOST, True)


def test_a_port_that_was_unplugged_is_named(tmp_path: Path) -> None:
    """It is the cable that is to be looked at, after the vehicle."""
    (tmp_path / "radio").touch()
    found = fell_silent(
        17_700_000, f"serial://{tmp_path}/radio?baud=57600", f"serial://{tmp_path}/tty?baud=921600"
    )
    assert found.problem == f"{LOST}, and there is no serial port {tmp_path}/tty any more"
    assert "cable" in found.remedy
