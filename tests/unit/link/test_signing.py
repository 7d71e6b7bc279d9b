"""Signing at the hub: who may speak, who may hear, and what is kept from captures."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest
from pymavlink.dialects.v20 import common

from asflown.errors import HarnessFault, UsageError
from asflown.link import wire
from asflown.link.hub import Access, Hub
from asflown.link.key_file import SigningKey, StampFile, read_key
from asflown.link.signing import (
    EPOCH_S,
    LAGS_AT_MOST,
    STORE_INTERVAL,
    Signing,
    Standing,
    stamp_of_unix,
    without_secrets,
)
from asflown.link.signing_setup import signing_from
from tests.unit.link.frames import Sender, unknown
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.test_hub import NotingEndpoint, NotingRecorder

KEY, OTHER_KEY = SigningKey(bytes(range(32))), SigningKey(bytes(32))
NOW_US = (EPOCH_S + 350_000_000) * 1_000_000
ONE_MINUTE_US = 60_000_000


def signing(key: SigningKey = KEY, now_us: int = NOW_US, link_id: int = 0) -> Signing:
    """At a time that stands still."""
    return Signing(key, lambda: now_us, link_id=link_id)


def test_what_one_signs_the_other_finds_genuine_once() -> None:
    """The second time it is a replay."""
    frame = signing(link_id=7).sign(Sender().heartbeat())
    receiver = signing()
    assert [receiver.check(frame) for _ in range(2)] == [Standing.GENUINE, Standing.REPLAYED]


def test_each_frame_has_a_newer_stamp_though_the_clock_stands() -> None:
    """And overtaken ones are replays to whoever has seen a newer one."""
    sender, receiver = signing(), signing()
    first, second, third = (sender.sign(Sender().heartbeat()) for _ in range(3))
    assert [receiver.check(frame) for frame in (first, third, second)] == [
        Standing.GENUINE,
        Standing.GENUINE,
        Standing.REPLAYED,
    ]


def test_streams_are_told_apart_by_system_component_and_link() -> None:
    """A stamp that is old in one stream is new in another."""
    receiver = signing()
    late = signing(now_us=NOW_US + 1_000_000, link_id=1)
    assert receiver.check(late.sign(Sender(1, 1).heartbeat())) is Standing.GENUINE
    for sender, link_id in ((Sender(1, 2), 1), (Sender(2, 1), 1), (Sender(1, 1), 2)):
        assert receiver.check(signing(link_id=link_id).sign(sender.heartbeat())) is Standing.GENUINE


WRONG = {
    "another key": lambda: signing(OTHER_KEY).sign(Sender().heartbeat()),
    "a changed payload": lambda: flipped(signing().sign(Sender().heartbeat()), 12),
    "a changed stamp": lambda: flipped(signing().sign(Sender().heartbeat()), -8),
    "a changed link": lambda: flipped(signing().sign(Sender().heartbeat()), -13),
    "a changed signature": lambda: flipped(signing().sign(Sender().heartbeat()), -1),
}


def flipped(frame: bytes, at: int) -> bytes:
    """The frame with one bit turned."""
    changed = bytearray(frame)
    changed[at] ^= 1
    return bytes(changed)


@pytest.mark.parametrize("make", WRONG.values(), ids=list(WRONG))
def test_nothing_is_learnt_from_a_wrong_signature(make: object) -> None:
    """It is wrong, and the genuine frame after it counts as if nothing had been."""
    assert callable(make)
    receiver = signing()
    assert receiver.check(make()) is Standing.WRONG
    assert receiver._streams == {}
    assert receiver.check(signing().sign(Sender().heartbeat())) is Standing.GENUINE


def test_our_clock_follows_genuine_stamps_that_are_ahead() -> None:
    """Signed from then on with newer ones, so that the other side takes them."""
    ahead = signing(now_us=NOW_US + 10 * ONE_MINUTE_US)
    ours = signing()
    ours.check(ahead.sign(Sender().heartbeat()))
    assert ahead.check(ours.sign(Sender(2).heartbeat())) is Standing.GENUINE


def test_stamps_survive_a_restart_even_if_the_clock_was_set_back() -> None:
    """What was stored lies ahead of all that were used, and is stored at most every ten seconds."""
    stored: list[int] = []
    before = Signing(KEY, lambda: NOW_US, store=stored.append)
    frames = [before.sign(Sender().heartbeat()) for _ in range(1_000)]
    assert len(stored) == 1
    receiver = signing()
    assert receiver.check(frames[-1]) is Standing.GENUINE
    after = Signing(KEY, lambda: NOW_US - 60 * ONE_MINUTE_US, stored=stored[-1])
    assert receiver.check(after.sign(Sender().heartbeat())) is Standing.GENUINE
    assert stored[0] == stamp_of_unix(NOW_US) + STORE_INTERVAL


def signed_by_a_station(number: int = 0) -> bytes:
    """A command that is signed with the key."""
    return signing(link_id=number).sign(Sender(253, 190).command())


class Guarded:
    """A hub with a key, a vehicle that has been heard, and one station with the given access."""

    def __init__(self, clock: HandClock, access: Access, *, vehicle_must_sign: bool = False) -> None:
        self.recorder = NotingRecorder()
        self.vehicle, self.station = NotingEndpoint("vehicle"), NotingEndpoint("map")
        self.other = NotingEndpoint("other")
        self.hub = Hub(
            clock,
            self.recorder,
            self.vehicle,
            None,
            signing=signing(),
            vehicle_must_sign=vehicle_must_sign,
        )
        self.hub.attach(self.station, "station", access)
        self.hub.attach(self.other, "station")
        self.hub.start()
        self.vehicle.say(Sender(1, 1).heartbeat())
        self.vehicle.given.clear()


SAYS = {"a genuine one": True, "an unsigned one": False, "one of another key": False}


def said(kind: str) -> bytes:
    """A command of a station."""
    plain = Sender(253, 190).command()
    return {
        "a genuine one": signing().sign(plain),
        "an unsigned one": plain,
        "one of another key": signing(OTHER_KEY).sign(plain),
    }[kind]


@pytest.mark.parametrize("kind", SAYS)
@pytest.mark.parametrize("access", ["full", "key-to-speak", "key-to-hear", "read-only"])
def test_who_may_speak(clock: HandClock, access: Access, kind: str) -> None:
    """Frames go on byte for byte, signature and all, or are withheld and counted; recorded in any case."""
    guarded = Guarded(clock, access)
    frame = said(kind)
    guarded.station.say(frame)
    goes_on = access == "full" or (SAYS[kind] and access != "read-only")
    assert guarded.vehicle.given == ([frame] if goes_on else [])
    assert guarded.hub.counters()["map.frames_withheld"] == (0 if goes_on else 1)
    assert [tap for tap, _, _ in guarded.recorder.frames].count("station") == 1


@pytest.mark.parametrize("access", ["key-to-speak", "key-to-hear", "read-only"])
def test_who_may_hear(clock: HandClock, access: Access) -> None:
    """Stations without the key hear everything, unless that needs the key as well."""
    guarded = Guarded(clock, access)
    craft = Sender(1, 1)
    guarded.station.given.clear()
    guarded.vehicle.say(craft.attitude(1))
    assert bool(guarded.station.given) is (access != "key-to-hear")
    guarded.station.say(said("a genuine one"))
    guarded.vehicle.say(craft.attitude(2))
    assert guarded.station.given


def test_a_replayed_command_goes_nowhere(clock: HandClock) -> None:
    """Recorded off the air and said again by somebody else, later."""
    guarded = Guarded(clock, "key-to-speak")
    frame = said("a genuine one")
    guarded.station.say(frame)
    clock.move_to(10_000_000)
    guarded.station.say(frame)
    counters = guarded.hub.counters()
    assert len(guarded.vehicle.given) == 1
    assert (counters["map.signing.genuine"], counters["map.signing.replayed"]) == (1, 1)


def test_radio_status_needs_no_key(clock: HandClock) -> None:
    """It comes from the radio, which has none."""
    guarded = Guarded(clock, "key-to-speak", vehicle_must_sign=True)
    status = Sender(1, 68).pack(common.MAVLink_radio_status_message(1, 2, 3, 4, 5, 6, 7))
    guarded.station.given.clear()
    guarded.vehicle.say(Sender(1, 1).attitude(), status)
    assert guarded.station.given == [status]
    assert guarded.hub.counters()["vehicle.frames_withheld"] == 2


def test_what_the_harness_sends_itself_is_signed(clock: HandClock) -> None:
    """With the hub's key; it is recorded without."""
    guarded = Guarded(clock, "full")
    frame = Sender(254, 191).command()
    guarded.hub.inject(frame, "guard")
    assert signing().check(guarded.vehicle.given[-1]) is Standing.GENUINE
    assert guarded.recorder.frames[-1][2] == frame


def test_keys_on_the_wire_are_neither_recorded_nor_passed_on(clock: HandClock) -> None:
    """SETUP_SIGNING, from either side, signed or not."""
    guarded = Guarded(clock, "full")
    secret = Sender(253, 190).pack(common.MAVLink_setup_signing_message(1, 1, list(range(32)), 5))
    before = len(guarded.recorder.frames)
    guarded.station.say(
        secret, signing().sign(Sender(253, 191).pack(common.MAVLink_setup_signing_message(0, 0, [1] * 32, 5)))
    )
    guarded.vehicle.say(Sender(1, 3).pack(common.MAVLink_setup_signing_message(255, 0, [2] * 32, 5)))
    assert (guarded.vehicle.given, len(guarded.recorder.frames)) == ([], before)
    counters = guarded.hub.counters()
    assert (counters["map.frames_secret"], counters["vehicle.frames_secret"]) == (2, 1)


@pytest.mark.parametrize(
    "frame", [Sender().heartbeat(), unknown(), unknown(bytes([9] * 200))], ids=["known", "unknown", "long"]
)
def test_a_frame_is_recorded_as_it_would_have_been_unsigned(frame: bytes) -> None:
    """Flag, checksum and length; for messages whose checksum we could not compute, too."""
    assert without_secrets(signing().sign(frame)) == frame
    assert without_secrets(frame) == frame


def test_a_hub_without_a_key_cannot_ask_for_one(clock: HandClock) -> None:
    """It is a fault of whoever set it up."""
    hub = Hub(clock, NotingRecorder(), NotingEndpoint("vehicle"), None)
    station = NotingEndpoint("map")
    hub.attach(station, "station", "key-to-speak")
    with pytest.raises(HarnessFault, match="map needs a key"):
        station.say(Sender().heartbeat())


def key_file(folder: Path, text: str = "ab" * 32 + "\n", mode: int = 0o600) -> Path:
    """A file with a key."""
    path = folder / "flight.key"
    path.write_text(text)
    path.chmod(mode)
    return path


@pytest.mark.parametrize("mode", [0o600, 0o400])
def test_a_key_is_read_from_a_file_of_our_own(tmp_path: Path, mode: int) -> None:
    """64 hexadecimal digits."""
    assert read_key(key_file(tmp_path, mode=mode)).reveal() == b"\xab" * 32


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o602, 0o644, 0o666, 0o610, 0o601, 0o700], ids=oct)
def test_a_key_that_others_may_use_is_refused(tmp_path: Path, mode: int) -> None:
    """The sentence names the mode and the cure, and nothing of the key."""
    path = key_file(tmp_path, mode=mode)
    with pytest.raises(UsageError) as caught:
        read_key(path)
    assert str(caught.value) == (
        f"key file {path} has mode {mode:04o}, so that others may use it. Say `chmod 600 {path}`, and change the key "
        "if others had the chance to read it"
    )


@pytest.mark.parametrize("text", ["", "ab" * 31, "ab" * 33, "zz" * 32, "ab" * 32 + "\nab", "passphrase"])
def test_what_is_no_key_is_refused_without_being_shown(tmp_path: Path, text: str) -> None:
    """Neither short nor long, nor other than hexadecimal."""
    with pytest.raises(UsageError, match="does not hold 64 hexadecimal digits") as caught:
        read_key(key_file(tmp_path, text))
    assert not text or text not in str(caught.value)


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    """A folder, a device, nothing at all."""
    for path in (tmp_path, Path("/dev/zero"), tmp_path / "none"):
        with pytest.raises(UsageError, match="key file"):
            read_key(path)


def test_a_key_shows_itself_nowhere() -> None:
    """Not when printed, not in what it is part of, and it cannot be pickled."""
    secret = KEY.reveal()
    for text in (repr(KEY), str(KEY), f"{KEY}", repr(signing()), repr([KEY])):
        assert secret.hex() not in text
        assert repr(secret)[2:-1] not in text
    with pytest.raises(TypeError, match="not to be written anywhere"):
        pickle.dumps(KEY)
    with pytest.raises(UsageError):
        SigningKey(secret[:31])


def test_the_newest_stamp_is_kept_beside_the_key(tmp_path: Path, clock: HandClock) -> None:
    """With mode 0600, and read by the next run."""
    path = key_file(tmp_path)
    made = signing_from(path, clock, lambda kind, facts: None)
    assert made is not None
    file = tmp_path / "flight.key.stamp"
    assert file.stat().st_mode & 0o777 == 0o600
    first = StampFile(path).read()
    signing_from(path, clock, lambda kind, facts: None)
    assert StampFile(path).read() > first > 0


def test_a_stamp_that_cannot_be_kept_is_told_and_the_link_goes_on(tmp_path: Path, clock: HandClock) -> None:
    """The folder is gone while the link is shared."""
    folder = tmp_path / "keys"
    folder.mkdir()
    clock.epoch_us = NOW_US
    told: list[str] = []
    made = signing_from(key_file(folder), clock, lambda kind, facts: told.append(kind))
    assert made is not None
    for file in folder.iterdir():
        file.unlink()
    folder.rmdir()
    clock.move_to(20_000_000)
    assert made.sign(Sender().heartbeat())
    assert told == ["stamp-not-kept"]


@pytest.mark.parametrize(
    ("behind", "standing"), [(LAGS_AT_MOST - 1, Standing.GENUINE), (LAGS_AT_MOST + 2, Standing.OLD)]
)
def test_a_new_stream_may_be_a_minute_behind(behind: int, standing: Standing) -> None:
    """And no more."""
    late = signing(now_us=NOW_US - behind * 10)
    assert signing().check(late.sign(Sender().heartbeat())) is standing


def test_version_1_is_never_genuine() -> None:
    """It has no room for a signature."""
    assert signing().check(Sender(version_1=True).heartbeat()) is Standing.UNSIGNED
    assert wire.system_id(Sender(version_1=True).heartbeat()) == 1
