"""The order in which frames go up when the radio is busy."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.link.priority import FRAMES_AT_MOST, Level, Source, UplinkQueue, classify
from tests.unit.link.frames import Sender, unknown

SENDER = Sender(255, 190)

LEVELS: dict[str, tuple[bytes, Source, Level]] = {
    "a pilot's sticks": (SENDER.sticks(100), "station", Level.PILOT),
    "a pilot's channels": (SENDER.channels(1500), "station", Level.PILOT),
    "a script's sticks": (SENDER.sticks(100), "script", Level.SET_POINT),
    "a script's channels": (SENDER.channels(1500), "script", Level.SET_POINT),
    "the guard's command": (SENDER.command(), "guard", Level.GUARD),
    "the guard's anything": (unknown(), "guard", Level.GUARD),
    "a command": (SENDER.command(), "script", Level.COMMAND),
    "the harness's command": (SENDER.command(), "harness", Level.COMMAND),
    "a parameter": (SENDER.parameter(), "station", Level.COMMAND),
    "a heartbeat": (SENDER.heartbeat(), "script", Level.COMMAND),
    "a set-point": (SENDER.set_point(1), "script", Level.SET_POINT),
    "text": (SENDER.text("hello"), "script", Level.REST),
    "an unknown message": (unknown(), "script", Level.REST),
}


@pytest.mark.parametrize(("frame", "source", "level"), LEVELS.values(), ids=list(LEVELS))
def test_a_frame_has_its_level(frame: bytes, source: Source, level: Level) -> None:
    """By message and by who sends it."""
    assert classify(frame, source) is level


def drain(queue: UplinkQueue) -> list[bytes]:
    """Everything that waits, in the order of sending."""
    return [queue.pop() for _ in range(len(queue))]


def test_the_more_urgent_goes_first_whoever_came_first() -> None:
    """Pilot, guard, commands, set-points, the rest."""
    queue = UplinkQueue()
    for level in reversed(Level):
        queue.put(1, level, unknown(bytes([1 + level])))
    assert drain(queue) == [unknown(bytes([1 + level])) for level in Level]


def test_a_party_s_frames_keep_their_order_and_parties_take_turns() -> None:
    """A burst of one does not hold up another at the same level."""
    queue = UplinkQueue()
    for number in (1, 2, 3):
        queue.put(1, Level.REST, unknown(bytes([number])))
    for number in (11, 12):
        queue.put(2, Level.REST, unknown(bytes([number])))
    assert drain(queue) == [unknown(bytes([number])) for number in (1, 11, 2, 12, 3)]


def test_the_latest_set_point_wins_at_the_place_of_the_first() -> None:
    """Of one sender, message and target; another sender's stays."""
    queue = UplinkQueue()
    other = Sender(255, 191).set_point(9)
    last = SENDER.set_point(3)
    for frame in (SENDER.set_point(1), other, SENDER.set_point(2), last):
        assert queue.put(1, Level.SET_POINT, frame)
    assert drain(queue) == [last, other]
    assert queue.counters()["set_point.superseded"] == 2


def test_channel_overrides_of_a_script_do_not_replace_each_other() -> None:
    """One may leave alone what the one before it set."""
    queue = UplinkQueue()
    frames = [SENDER.channels(1100), SENDER.channels(1200)]
    for frame in frames:
        queue.put(1, Level.SET_POINT, frame)
    assert drain(queue) == frames


def test_of_sticks_the_oldest_gives_way_of_all_else_the_newest() -> None:
    """It is the age of sticks that counts; commands keep their order without a gap before the newest."""
    for level in (Level.PILOT, Level.COMMAND):
        queue = UplinkQueue()
        room = FRAMES_AT_MOST[level]
        frames = [unknown(number.to_bytes(2, "little") + b"\x01") for number in range(room + 2)]
        kept = [queue.put(1, level, frame) for frame in frames]
        assert kept == [True] * room + [False] * 2
        assert drain(queue) == (frames[2:] if level is Level.PILOT else frames[:-2])
        assert queue.counters()[f"{level.word}.dropped"] == 2


def test_a_flood_of_one_party_leaves_room_for_another() -> None:
    """Each has a share of its own."""
    queue = UplinkQueue()
    for _ in range(10_000):
        queue.put(1, Level.REST, unknown())
    text = SENDER.text("still here")
    assert queue.put(2, Level.REST, text)
    assert text in drain(queue)[:2]


def test_purging_takes_all_of_one_party_and_nothing_else() -> None:
    """Who was cut off has nothing left on its way."""
    queue = UplinkQueue()
    for party in (1, 2):
        queue.put(party, Level.COMMAND, unknown(bytes([party])))
        queue.put(party, Level.SET_POINT, SENDER.set_point(1))
    assert len(queue.purge(1)) == 2
    assert queue.purge(1) == []
    assert drain(queue)[0] == unknown(b"\x02")
    assert len(queue) == 0


@given(
    st.lists(st.tuples(st.sampled_from(["put", "pop", "purge"]), st.integers(0, 2), st.sampled_from(Level)))
)
def test_the_counts_always_add_up(steps: list[tuple[str, int, Level]]) -> None:
    """Of every level: taken = sent + dropped + expired + superseded + waiting."""
    queue = UplinkQueue()
    now_us = 0
    for what, party, level in steps:
        now_us += 700_000
        queue.expire(now_us)
        if what == "put":
            for number in range(50):
                queue.put(party, level, SENDER.set_point(number) if number % 2 else unknown(), now_us)
        elif what == "purge":
            queue.purge(party)
        else:
            for _ in range(min(len(queue), 20)):
                queue.pop()
        ended = (queue.sent, queue.dropped, queue.superseded, queue.expired)
        waiting = {name: queue.taken[name] - sum(counts[name] for counts in ended) for name in Level}
        assert sum(waiting.values()) == len(queue)
        assert min(waiting.values()) >= 0
        assert all(waiting[name] <= 3 * FRAMES_AT_MOST[name] for name in Level)


def test_what_has_waited_too_long_is_not_sent_any_more() -> None:
    """A command five seconds old is dropped and counted; one that is younger goes on, and so does its turn."""
    queue = UplinkQueue()
    old, young = SENDER.command(number=1), SENDER.command(number=2)
    queue.put(1, Level.COMMAND, old, 0)
    queue.put(2, Level.COMMAND, old, 0)
    queue.put(1, Level.COMMAND, young, 3_000_000)
    queue.expire(5_000_001)
    assert drain(queue) == [young]
    assert queue.counters()["command.expired"] == 2


def test_a_set_point_is_as_old_as_its_newest() -> None:
    """Replaced in time again and again, it never grows too old."""
    queue = UplinkQueue()
    for at_us in range(0, 5_000_000, 500_000):
        queue.put(1, Level.SET_POINT, SENDER.set_point(at_us), at_us)
        queue.expire(at_us)
    assert len(drain(queue)) == 1


def test_nothing_comes_out_of_an_empty_queue() -> None:
    """It is the caller's fault to ask."""
    with pytest.raises(IndexError):
        UplinkQueue().pop()
