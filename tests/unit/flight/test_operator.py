"""What an operator is asked, what will do as an answer, and who flies nothing."""

from __future__ import annotations

from typing import Any

import pytest

from asflown.errors import FlightError
from asflown.flight.operator import Operator
from asflown.scenario.model import Expect, GuardLimits, Scenario, Script, VehicleFile
from tests.flights.operated import ANSWERS, AnsweringConsole

SCENARIO = Scenario(
    asflown=1, name="try-out", script=Script(run=("python", "x.py")), expect=Expect(), guard=GuardLimits()
)
AIRFRAME = VehicleFile(name="quad", kind="airframe", link="serial:///dev/x")
BENCH: dict[str, Any] = {"name": "rig", "kind": "bench", "link": "serial:///dev/x", "physics": "none"}


def confirm(vehicle: VehicleFile, console: AnsweringConsole) -> dict[str, str]:
    """What goes into the manifest."""
    return Operator(console).confirm(vehicle, SCENARIO)


def test_outdoors_place_battery_wind_area_pilot_and_rules_are_asked_for() -> None:
    """In this order, and the answers are kept in the operator's own words."""
    answers = confirm(AIRFRAME, AnsweringConsole())
    assert list(answers) == ["place", "battery", "wind", "clear_area", "pilot", "pilot_ready", "rules"]
    assert (answers["battery"], answers["wind"]) == ("3.9 V", "2 m/s from 240 deg")


def test_on_a_bench_propellers_are_off_before_anything_else_can_be() -> None:
    """Place, power, propellers, hands."""
    assert list(confirm(VehicleFile(**BENCH), AnsweringConsole())) == [
        "place",
        "power",
        "propellers",
        "clear",
    ]


@pytest.mark.parametrize(
    ("question", "answer"),
    [
        ("Type: clear area", "yes"),
        ("Type: clear area", ""),
        ("Type: pilot ready", "y"),
        ("Type: rules kept", "clear area"),
        ("The battery, as measured", "full"),
        ("The battery, as measured", "16.4"),
        ("The wind here", "a little"),
        ("The wind here", "3 m/s"),
        ("Who is the pilot?", "..."),
    ],
)
def test_nothing_flies_when_an_answer_will_not_do_three_times(question: str, answer: str) -> None:
    """Each safety question wants its own words; a `yes` confirms nothing."""
    console = AnsweringConsole({**ANSWERS, question: answer})
    with pytest.raises(FlightError, match="not confirmed"):
        confirm(AIRFRAME, console)
    assert sum(question in said for said in console.said) == 3


def test_the_end_of_the_input_declines_at_once() -> None:
    """Ctrl-D is an answer, too."""
    console = AnsweringConsole({"Where is this?": "meadow"})
    with pytest.raises(FlightError, match="not confirmed: battery"):
        confirm(AIRFRAME, console)


def test_without_a_terminal_nobody_confirms() -> None:
    """Not even with every answer ready."""
    with pytest.raises(FlightError, match="this is not a terminal"):
        confirm(AIRFRAME, AnsweringConsole(is_terminal=False))


@pytest.mark.parametrize("more", [{}, {"unattended": "bench"}])
def test_only_an_unattended_rig_is_not_asked_about(more: dict[str, Any]) -> None:
    """And the manifest says that it was not."""
    console = AnsweringConsole(is_terminal=False)
    vehicle = VehicleFile(**BENCH, **more)
    if not more:
        with pytest.raises(FlightError):
            confirm(vehicle, console)
        return
    assert confirm(vehicle, console) == {"unattended": "bench"}
    Operator(console).last_word(vehicle)
    assert console.said == []


def test_answers_are_one_printable_line() -> None:
    """What was typed cannot steer whoever reads the manifest later."""
    console = AnsweringConsole({**ANSWERS, "Where is this?": "meadow \x1b[2J  mill"})
    assert confirm(AIRFRAME, console)["place"] == "meadow mill"
