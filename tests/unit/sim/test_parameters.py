"""Parameters and their protocol."""

from __future__ import annotations

import math
import struct
from typing import Any

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.scenario.model import Identity
from asflown.sim.interface import Limits
from asflown.sim.parameters import PARAMETERS, Parameters, ParameterSpec
from tests.unit.sim.rig import Rig

REAL, WHOLE = mav.MAV_PARAM_TYPE_REAL32, mav.MAV_PARAM_TYPE_INT32


def values(reply: list[Any]) -> list[tuple[str, float, int]]:
    """Name, value and index of each PARAM_VALUE."""
    return [(m.param_id, m.param_value, m.param_index) for m in reply if m.get_type() == "PARAM_VALUE"]


def set_to(rig: Rig, name: str, value: float, kind: int = REAL) -> list[Any]:
    """What comes of a PARAM_SET."""
    return rig.ask(mav.MAVLink_param_set_message(1, 1, name.encode(), value, kind))


def test_a_list_holds_every_parameter_once_in_order() -> None:
    """Count and index in each."""
    rig = Rig()
    rig.send(mav.MAVLink_param_request_list_message(1, 1))
    rig.run(1.0)
    listed = rig.of_type("PARAM_VALUE")
    assert [(m.param_id, m.param_index) for m in listed] == [(p.name, i) for i, p in enumerate(PARAMETERS)]
    assert {message.param_count for message in listed} == {len(PARAMETERS)}


def test_a_list_leaves_room_on_a_slow_link() -> None:
    """Fifty values a second at most: 37 bytes each are a third of 5760 bytes a second."""
    rig = Rig()
    rig.send(mav.MAVLink_param_request_list_message(1, 1))
    rig.run(0.2)
    assert len(rig.of_type("PARAM_VALUE")) == 10


def test_reading_by_name_and_by_index() -> None:
    """A name of all sixteen bytes is not terminated."""
    rig = Rig()
    by_name = rig.ask(mav.MAVLink_param_request_read_message(1, 1, b"battery.critical", -1))
    (found,) = values(by_name)
    by_index = rig.ask(mav.MAVLink_param_request_read_message(1, 1, b"", found[2]))
    assert values(by_index) == [found]
    assert found[0] == "battery.critical"
    assert found[1] == pytest.approx(0.07)


def test_an_unknown_parameter_is_answered_in_words_alone() -> None:
    """No PARAM_VALUE, neither for reading nor for setting."""
    rig = Rig()
    reply = rig.ask(mav.MAVLink_param_request_read_message(1, 1, b"no.such", -1))
    reply += rig.ask(mav.MAVLink_param_request_read_message(1, 1, b"", 99))
    reply += set_to(rig, "not.there", 1.0)
    assert values(reply) == []
    assert rig.texts() == [
        "parameter no.such: there is none",
        "parameter index 99: there is none",
        "parameter not.there: there is none",
    ]


def test_setting_changes_what_the_craft_does() -> None:
    """The limit of the flight core follows, an angle in radians."""
    rig = Rig()
    assert values(set_to(rig, "speed.travel", 1.5))[0][:2] == ("speed.travel", 1.5)
    set_to(rig, "tilt", 20.0)
    assert rig.core.limits.speed_m_s == 1.5
    assert rig.core.limits.tilt_rad == pytest.approx(math.radians(20))


@pytest.mark.parametrize(
    ("name", "value", "kind", "words"),
    [
        ("speed.travel", 99.0, REAL, "speed.travel: 0.2 to 20 only"),
        ("speed.travel", math.nan, REAL, "speed.travel: not a number"),
        ("speed.travel", 2.0, WHOLE, "speed.travel: wrong type"),
        ("link.loss.act", 1.5, WHOLE, "link.loss.act: whole numbers only"),
    ],
    ids=["out of range", "nan", "wrong type", "not whole"],
)
def test_a_refused_value_is_answered_with_the_old_one(name: str, value: float, kind: int, words: str) -> None:
    """And with words."""
    rig = Rig()
    before = values(rig.ask(mav.MAVLink_param_request_read_message(1, 1, name.encode(), -1)))
    assert values(set_to(rig, name, value, kind)) == before
    assert rig.texts() == [f"parameter {words}"]


def test_whole_numbers_travel_as_announced() -> None:
    """By C cast: the float field holds the number itself; the byte-wise bit is not set."""
    rig = Rig()
    reply = rig.ask(mav.MAVLink_param_request_read_message(1, 1, b"link.loss.act", -1))
    (value,) = [m for m in reply if m.get_type() == "PARAM_VALUE"]
    assert (value.param_type, value.param_value) == (WHOLE, 1.0)
    rig.command(mav.MAV_CMD_REQUEST_MESSAGE, mav.MAVLINK_MSG_ID_AUTOPILOT_VERSION)
    capabilities = rig.of_type("AUTOPILOT_VERSION")[0].capabilities
    assert capabilities & mav.MAV_PROTOCOL_CAPABILITY_PARAM_ENCODE_C_CAST
    assert not capabilities & mav.MAV_PROTOCOL_CAPABILITY_PARAM_ENCODE_BYTEWISE


@pytest.mark.parametrize("spec", PARAMETERS, ids=lambda spec: spec.name)
def test_every_parameter_is_well_made(spec: ParameterSpec) -> None:
    """Name fits its field, default lies within bounds, unit or range is told, both bounds can be set."""
    limits = Limits()
    parameters = Parameters(limits, {})
    assert len(spec.name) <= 16
    assert spec.low <= parameters[spec.name] <= spec.high
    assert "," in spec.says or ":" in spec.says
    assert parameters.set(spec, spec.low) == parameters.set(spec, spec.high) == ""
    if spec.limit is not None:
        value = getattr(limits, spec.limit)
        assert (math.degrees(value) if spec.in_degrees else value) == pytest.approx(spec.high, rel=1e-6)


def test_the_hash_tells_one_set_of_values_from_another() -> None:
    """Equal values, equal hash."""
    rig, other = Rig(), Rig()
    assert rig.craft.parameters_sha256() == other.craft.parameters_sha256()
    set_to(rig, "setpoint.age", 2.0)
    assert rig.craft.parameters_sha256() != other.craft.parameters_sha256()


def test_every_type_of_the_protocol_is_used() -> None:
    """Six kinds of whole numbers up to 32 bits, and the float."""
    assert {spec.kind for spec in PARAMETERS} == {1, 2, 3, 4, 5, 6, 9}


@pytest.mark.parametrize("spec", [p for p in PARAMETERS if p.kind != REAL], ids=lambda spec: spec.name)
def test_whole_numbers_travel_byte_by_byte_where_the_vehicle_file_says_so(spec: ParameterSpec) -> None:
    """The value lies in the first bytes of the float field, and comes back as it was set."""
    rig = Rig(Identity(parameter_encoding="bytewise"))
    (field,) = struct.unpack("<f", struct.pack("<i", int(spec.high)))
    reply = values(set_to(rig, spec.name, field, spec.kind))
    assert rig.craft._parameters[spec.name] == spec.high
    assert struct.unpack("<i", struct.pack("<f", reply[0][1])) == (int(spec.high),)


def test_the_encoding_is_announced() -> None:
    """Exactly one of the two capability bits."""
    for identity, bit in ((Identity(), 131_072), (Identity(parameter_encoding="bytewise"), 16)):
        rig = Rig(identity)
        rig.command(512, mav.MAVLINK_MSG_ID_AUTOPILOT_VERSION)
        assert rig.of_type("AUTOPILOT_VERSION")[-1].capabilities & (131_072 | 16) == bit
