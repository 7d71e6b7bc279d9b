"""A real vehicle as the conductor knows it: identity, parameters, message intervals; here the built-in one answers."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.clock.virtual import VirtualClock
from asflown.errors import VehicleProblem
from asflown.link.hub import Hub
from asflown.link.taps import NoRecorder
from asflown.scenario.model import Conditions, Identity, Parameters, Start, VehicleFile
from asflown.scenario.vehicle_parts import Firmware
from asflown.url import parse
from asflown.vehicle.airframe import Airframe, radio_bytes_per_s
from asflown.vehicle.builtin import BuiltIn
from asflown.vehicle.conversation import Conversation
from asflown.vehicle.identity import Identification, differences
from asflown.vehicle.intervals import NEEDED_S, SHARE_OF_RADIO, frame_bytes, within_budget

LINK = "serial:///dev/x?baud=57600"
FILE = VehicleFile(name="craft", kind="airframe", link=LINK)


def talk(file: VehicleFile, what: Callable[[Airframe, Conversation], Awaitable[None]]) -> None:
    """Lets `what` talk to a built-in vehicle that has been up for two seconds."""
    clock = VirtualClock()
    inside = VehicleFile(name="palm80", kind="built-in", airframe="palm80")
    vehicle = BuiltIn(clock, inside, Start(), Conditions(), seed=1)
    hub = Hub(clock, NoRecorder(), vehicle.endpoint, None)
    conversation = Conversation(
        clock, lambda frame: hub.inject(frame, "harness"), file.system, file.component
    )
    hub.on_vehicle_frame.append(conversation.frame)

    async def run() -> None:
        hub.start()
        vehicle.start()
        await clock.sleep_until(2_000_000)
        await what(Airframe(file, parse(LINK), conversation, lambda: None), conversation)

    clock.run(run())


def test_identity_goes_into_the_manifest() -> None:
    """System, component, autopilot, type and firmware version, as the vehicle says them."""

    async def look(airframe: Airframe, _: Conversation) -> None:
        await airframe.identify()
        record = airframe.record()
        assert record.release == "1.0.0"
        assert {key: record.facts[key] for key in ("system", "component", "autopilot", "vehicle_type")} == {
            "system": 1, "component": 1, "autopilot": 0, "vehicle_type": 2,
        }  # fmt: skip

    talk(FILE, look)


def test_wrong_craft_is_refused() -> None:
    """The whole message, before anything else is asked."""
    file = FILE.model_copy(update={"identity": Identity(autopilot=9, firmware=Firmware(hardware="ab12"))})

    async def look(airframe: Airframe, _: Conversation) -> None:
        with pytest.raises(VehicleProblem) as refused:
            await airframe.identify()
        assert str(refused.value) == (
            "this is not vehicle craft: autopilot is 0, the vehicle file has 9; hardware number is not said,"
            " the vehicle file has ab12. Look which craft is switched on, or correct `identity` in the vehicle file"
        )

    talk(file, look)


def test_what_a_file_does_not_say_is_not_compared() -> None:
    """Only what is wanted can differ; what the vehicle does not say then differs, too."""
    found = Identification(1, 1, 0, 2, version="1.2.3", hardware="aa", vendor=5, product=None)
    assert differences(found, FILE) == []
    wanted = Identity(vehicle_type=2, firmware=Firmware(version="1.2.3", vendor=6, product=7))
    assert differences(found, FILE.model_copy(update={"identity": wanted})) == [
        "vendor is 5, the vehicle file has 6", "product is not said, the vehicle file has 7",
    ]  # fmt: skip


def test_intervals_are_asked_for_and_given_back() -> None:
    """What comes often enough is left alone; what was changed is as before in the end."""
    wanted = {"ATTITUDE": 0.5, "VFR_HUD": 0.2, "VIBRATION": 1.0}
    file = FILE.model_copy(update={"intervals": wanted})

    async def look(airframe: Airframe, conversation: Conversation) -> None:
        before = {name: await conversation.interval_us(name) for name in wanted}
        await airframe.ask_for_messages()
        assert airframe.record().facts["intervals_us"] == {"VFR_HUD": 200_000, "VIBRATION": 1_000_000}
        assert await conversation.interval_us("VIBRATION") == 1_000_000
        await airframe.give_back()
        assert {name: await conversation.interval_us(name) for name in wanted} == before

    talk(file, look)


def test_expected_parameters_are_read_by_name(tmp_path: Path) -> None:
    """Those, no others; one that the vehicle does not know is None."""
    (tmp_path / "expected.csv").write_text("return.height,4\nnot.there,1\n", encoding="utf-8")
    file = FILE.model_copy(update={"parameters": Parameters(expect=str(tmp_path / "expected.csv"))})

    async def look(airframe: Airframe, conversation: Conversation) -> None:
        await airframe.read_parameters()
        assert airframe.parameters == {"return.height": 4.0, "not.there": None}
        assert conversation.counted["PARAM_VALUE"] == 1

    talk(file, look)


def test_radio_is_the_narrowest_part() -> None:
    """Ten bits for each byte on a serial line, or what the profile says where that is less; else nothing bounds it."""
    assert radio_bytes_per_s(FILE, parse("serial:///dev/x?baud=115200")) == 11_520
    slow = FILE.model_copy(update={"radio": "long-range-slow"})
    assert radio_bytes_per_s(slow, parse("serial:///dev/x?baud=115200")) == 1_200
    assert radio_bytes_per_s(FILE, parse("udp://127.0.0.1:1")) is None


@given(radio=st.floats(50, 1e6))
def test_what_is_asked_for_fits_the_radio(radio: float) -> None:
    """Never more than its share, never more often than wanted, and all stretched alike."""
    asked = within_budget(NEEDED_S, radio)
    assert (
        sum(frame_bytes(name) / every for name, every in asked.items()) <= SHARE_OF_RADIO * radio * 1.000001
    )
    factors = [asked[name] / NEEDED_S[name] for name in NEEDED_S]
    assert min(factors) >= 1
    assert max(factors) == pytest.approx(min(factors))
