"""Which baud rate a serial device speaks MAVLink at: a real pseudo terminal, whose far end obeys the rate."""

from __future__ import annotations

import os
import select
import termios
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from pymavlink.dialects.v20 import common

from asflown.errors import LinkProblem
from asflown.url import Url, parse
from asflown.vehicle import baud

HEARTBEAT = bytes(common.MAVLink_heartbeat_message(2, 0, 0, 0, 3, 3).pack(common.MAVLink(None, 1, 1)))
RUBBISH = bytes(byte ^ 0x5A for byte in HEARTBEAT)


@contextmanager
def device(speaks_at: int | None) -> Iterator[Url]:
    """A device at the far end of a serial port: understood at one rate, rubbish at every other; None is silent."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    done = threading.Event()

    def speak() -> None:
        while not done.wait(0.02):
            rate = termios.tcgetattr(theirs)[5]
            if speaks_at is not None and select.select([], [ours], [], 0)[1]:
                os.write(ours, HEARTBEAT if rate == speaks_at else RUBBISH)

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        yield Url("serial", path=os.ttyname(theirs))
    finally:
        done.set()
        thread.join()
        os.close(ours)
        os.close(theirs)


def test_the_rate_is_found_where_frames_make_sense(monkeypatch: pytest.MonkeyPatch) -> None:
    """At other rates there is rubbish, which is listened to for a while and left."""
    monkeypatch.setattr(baud, "LISTEN_S", 0.2)
    with device(termios.B115200) as url:
        assert baud.with_baud(url).baud == 115_200


def test_a_rate_that_is_given_is_kept() -> None:
    """Nothing is opened then."""
    url = parse("serial:///dev/nothing?baud=57600")
    assert baud.with_baud(url) is url


@pytest.mark.parametrize(
    ("speaks_at", "says"),
    [(None, "nothing was heard at "), (termios.B300, "what was heard at ")],
    ids=["silent", "another rate"],
)
def test_nothing_that_makes_sense(monkeypatch: pytest.MonkeyPatch, speaks_at: int | None, says: str) -> None:
    """A silent line and one that is noisy at every rate are told apart."""
    monkeypatch.setattr(baud, "LISTEN_S", 0.1)
    monkeypatch.setattr(baud, "RATES", (57_600, 115_200))
    with device(speaks_at) as url, pytest.raises(LinkProblem, match=says):
        baud.with_baud(url)
