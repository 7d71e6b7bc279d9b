"""Signing against the standard's own description (MAVLink developer guide, Message Signing) and pymavlink's signing."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from typing import Any

import pytest
from pymavlink.dialects.v20 import common

from asflown.link import wire
from asflown.link.hub import Hub
from asflown.link.key_file import SigningKey
from asflown.link.signing import EPOCH_S, LAGS_AT_MOST, Signing, Standing, stamp_of_unix, without_secrets
from asflown.link.taps import NoRecorder
from asflown.link.wire import FrameReader
from tests.unit.link.frames import Sender, with_flags
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.test_hub import NotingEndpoint

KEY = bytes(range(32))
HEARTBEAT = bytes.fromhex("fd0900000001010000000000000002000003038346")
SIGNED = bytes.fromhex("fd09010000010100000000000000020000030364be03a08601000000f337c89a2a2d")
HEARTBEAT_EXTRA = 50


def unix_us(stamp: int) -> int:
    """The Unix time of a stamp, microseconds."""
    return EPOCH_S * 1_000_000 + stamp * 10


def at(stamp: int, *, link_id: int = 0, key: bytes = KEY) -> Signing:
    """Our signing, at a time that stands still."""
    return Signing(SigningKey(key), lambda: unix_us(stamp), link_id=link_id)


def theirs(stamp: int, *, link_id: int = 0, system: int = 1, key: bytes = KEY) -> Any:
    """The end of a link that pymavlink has, signing with a key; its clock runs on from `stamp`."""
    mavlink = common.MAVLink(None, system, 1)
    mavlink.signing.secret_key = key
    mavlink.signing.link_id = link_id
    mavlink.signing.timestamp = stamp
    mavlink.signing.sign_outgoing = True
    return mavlink


def test_the_worked_example() -> None:
    """OC-MAV-16: SHA-256(key + frame + link + stamp), first six bytes, recomputed here with hashlib alone."""
    body, head, signature = SIGNED[:21], SIGNED[21:28], SIGNED[28:]
    assert hashlib.sha256(KEY + body + head).digest()[:6] == signature
    assert at(99_999, link_id=3).sign(HEARTBEAT) == SIGNED
    assert at(100_000).check(SIGNED) is Standing.GENUINE


def test_signing_time() -> None:
    """OC-MAV-17: units of 10 microseconds since 2015; 48 bits of them last 89.2 years."""
    begin, later = datetime(2015, 1, 1, tzinfo=UTC), datetime(2026, 1, 1, tzinfo=UTC)
    assert EPOCH_S == begin.timestamp() == 1_420_070_400
    assert stamp_of_unix(int(begin.timestamp()) * 1_000_000) == 0
    assert stamp_of_unix(int(later.timestamp()) * 1_000_000) == 34_715_520_000_000
    years = 2**48 / 100_000 / 86_400 / 365.2425
    assert years == pytest.approx(89.2, abs=0.05)


def test_we_accept_what_pymavlink_signs() -> None:
    """A hundred frames of every link id; each is genuine, and a replay when it comes again."""
    receiver = at(34_715_520_000_000)
    for link_id in (0, 3, 255):
        sender = theirs(34_715_520_000_000, link_id=link_id)
        for n in range(100):
            frame = bytes(common.MAVLink_attitude_message(n, 0, 0, 0, 0, 0, 0).pack(sender))
            assert len(FrameReader().feed(frame)) == 1
            assert receiver.check(frame) is Standing.GENUINE
            assert receiver.check(frame) is Standing.REPLAYED


def test_pymavlink_accepts_what_we_sign() -> None:
    """A hundred frames decode as signed and verified; with another key every one is refused."""
    sender = at(34_715_520_000_000, link_id=9)
    receiver, stranger = theirs(34_715_520_000_000), theirs(34_715_520_000_000, key=bytes(32))
    for n in range(100):
        frame = sender.sign(Sender().attitude(n))
        message = receiver.decode(bytearray(frame))
        assert message.get_signed()
        assert message.time_boot_ms == n
        with pytest.raises(common.MAVError, match="Invalid signature"):
            stranger.decode(bytearray(frame))


def test_pymavlink_refuses_our_frame_when_it_comes_again() -> None:
    """As we refuse theirs: their rule and ours are the same one."""
    frame = at(34_715_520_000_000).sign(HEARTBEAT)
    receiver = theirs(34_715_520_000_000)
    assert receiver.decode(bytearray(frame)).get_signed()
    with pytest.raises(common.MAVError, match="Invalid signature"):
        receiver.decode(bytearray(frame))


REPLAYS = {
    "the same stamp": (0, Standing.REPLAYED),
    "one unit older": (-1, Standing.REPLAYED),
    "one unit newer": (1, Standing.GENUINE),
    "an hour newer": (360_000_000, Standing.GENUINE),
}


@pytest.mark.parametrize(("later", "standing"), REPLAYS.values(), ids=list(REPLAYS))
def test_replay_rule_within_a_stream(later: int, standing: Standing) -> None:
    """OC-MAV-18: a stamp not above the last of its (system, component, link) is refused."""
    receiver = at(1_000_000)
    assert receiver.check(at(1_000_000).sign(HEARTBEAT)) is Standing.GENUINE
    assert receiver.check(at(1_000_000 + later).sign(HEARTBEAT)) is standing


@pytest.mark.parametrize(("behind", "standing"), [(6_000_000, Standing.GENUINE), (6_000_001, Standing.OLD)])
def test_replay_rule_of_a_new_stream(behind: int, standing: Standing) -> None:
    """OC-MAV-18: more than 6,000,000 units (one minute) behind is refused."""
    assert LAGS_AT_MOST == 6_000_000
    receiver = at(100_000_000)
    frame = at(100_000_000 - behind - 1).sign(HEARTBEAT)
    assert receiver.check(frame) is standing


@pytest.mark.parametrize("flags", [0x02, 0x03, 0x80, 0xFF])
def test_an_unknown_incompatibility_flag_is_dropped(flags: int) -> None:
    """OC-MAV-19: whatever else is set, its checksum right: the frame goes nowhere."""
    signature = bytes(13) if flags & 1 else b""
    reader = FrameReader()
    assert reader.feed(with_flags(HEARTBEAT, flags, HEARTBEAT_EXTRA, signature)) == []
    assert reader.frames_incompatible == 1


@pytest.mark.parametrize("compatible", [0, 1, 0x80, 0xFF])
def test_any_compatibility_flag_is_accepted(compatible: int) -> None:
    """OC-MAV-19: compat_flags say what may be ignored."""
    body = HEARTBEAT[1:3] + bytes([compatible]) + HEARTBEAT[4:-2]
    frame = b"\xfd" + body + wire.checksum(body + bytes([HEARTBEAT_EXTRA])).to_bytes(2, "little")
    assert FrameReader().feed(frame) == [frame]


def test_a_signed_frame_has_thirteen_bytes_more() -> None:
    """OC-MAV-19: flag 0x01 says that a signature follows the checksum."""
    assert len(SIGNED) - len(HEARTBEAT) == 13
    assert FrameReader().feed(SIGNED + HEARTBEAT) == [SIGNED, HEARTBEAT]


def test_secrets_stay_out_of_captures() -> None:
    """OC-MAV-20: no SETUP_SIGNING; of a signed frame no signature and no flag, and a checksum that fits again."""
    setup = Sender(255, 190).pack(common.MAVLink_setup_signing_message(1, 1, list(KEY), 5))
    assert without_secrets(setup) is None
    assert without_secrets(SIGNED) == HEARTBEAT
    plain = common.MAVLink(None).decode(bytearray(HEARTBEAT))
    assert (plain.get_msgId(), plain.get_signed()) == (0, False)


def test_pymavlink_agrees_on_the_whole_frame() -> None:
    """The same key, link, stamp and message give the same bytes on both sides."""
    message = common.MAVLink_heartbeat_message(2, 0, 0, 0, 3, 3)
    assert bytes(message.pack(theirs(100_000, link_id=3))) == SIGNED


def signed_by_pymavlink(stamp: int, *, system: int = 255, key: bytes = KEY) -> list[bytes]:
    """Four commands, each with a newer stamp than the one before."""
    sender = theirs(stamp, system=system, key=key)
    return [
        bytes(common.MAVLink_command_long_message(1, 1, 512, 0, n, 0, 0, 0, 0, 0, 0).pack(sender))
        for n in range(4)
    ]


def test_a_hub_takes_only_fresh_frames_of_pymavlink_s_and_counts_why_not() -> None:
    """Through a port that asks for the key: a stranger's, an old, a re-ordered and a replayed frame go nowhere."""
    now = 34_715_520_000_000
    clock = HandClock()
    vehicle, station = NotingEndpoint("vehicle"), NotingEndpoint("map")
    hub = Hub(clock, NoRecorder(), vehicle, None, signing=at(now))
    hub.attach(station, "station", "key-to-speak")
    hub.start()
    vehicle.say(Sender(1, 1).heartbeat())
    first, second, third, fourth = signed_by_pymavlink(now)
    station.say(first, third, second, fourth)
    clock.move_to(10_000_000)
    station.say(first, *signed_by_pymavlink(now, key=bytes(32)))
    station.say(*signed_by_pymavlink(now - LAGS_AT_MOST - 100, system=254))
    hub.inject(HEARTBEAT, "harness")
    counted = {
        name: hub.counters()[f"map.signing.{name}"] for name in ("genuine", "replayed", "wrong", "old")
    }
    assert vehicle.given[:-1] == [first, third, fourth]
    assert theirs(now).decode(bytearray(vehicle.given[-1])).get_signed()
    assert counted == {"genuine": 3, "replayed": 2, "wrong": 4, "old": 4}
    assert hub.counters()["map.frames_withheld"] == 10
    clock.close()
