"""What the broker knows of one held process, and what it needs of a port and of the terms of a flight."""

from __future__ import annotations

import select
import socket
from dataclasses import dataclass, field
from typing import Any, Protocol

from asflown.clock.shim.asflown_held.protocol import NEVER_US


class HeldPort(Protocol):
    """A port of the hub that a held script may use; the link supplies it."""

    def facts(self) -> dict[str, Any]:
        """How the shim recognises it: kind, and address or path."""

    def opened(self) -> None:
        """The script bound, connected or opened it; counts start at zero."""

    def closed(self) -> None:
        """The script let go of it."""

    def collect(self, sent: int) -> None:
        """Takes in what the script sent, until the total is `sent`."""

    def collect_rest(self) -> None:
        """The script is gone without a last report: takes in what still lies in the real socket."""

    def has_read(self, read: int) -> None:
        """The script has read so much in total."""

    def has_news(self) -> bool:
        """Whether the script would find something to read."""

    def hand_over(self) -> tuple[int, bool]:
        """Puts what fits into the real socket: the total delivered, and whether more is held back."""


@dataclass(slots=True)
class Terms:
    """What a held script is told at its start, beside the ports."""

    seed: int
    compute_us: int
    clock_read_us: int = 5
    empty_look_us: int = 20
    failed_lock_us: int = 2
    reads_without_wait: int = 1000
    reads_without_wait_us: int = 100


@dataclass(slots=True)
class Participant:
    """One held process, from the moment it was spawned."""

    pid: int
    pid_descriptor: int
    is_root: bool
    connection: socket.socket | None = None
    poll: select.poll | None = None
    welcomed: bool = False
    running: bool = False
    wake_us: int = NEVER_US
    turn: int = 0
    """Running number of its last grant: among equals, whoever ran longest ago is next."""
    looks: bool = False
    """Whether it waits for something that another process may do."""
    signals: list[int] = field(default_factory=list)
    """Numbers of signals that others sent to it: each comes with a grant of its own."""
    waits_for: list[HeldPort] = field(default_factory=list)
    endpoints: dict[int, HeldPort] = field(default_factory=dict)

    def stand_still(self) -> None:
        """It neither runs nor wakes any more."""
        self.running, self.wake_us, self.looks, self.waits_for = False, NEVER_US, False, []


@dataclass(slots=True)
class Usage:
    """CPU time that a script used, which lockstep grants for free and hardware does not."""

    total_us: int = 0
    longest_us: int = 0


def poll_of(connection: socket.socket) -> select.poll:
    """A poll object that waits for one socket to be readable."""
    poll = select.poll()
    poll.register(connection, select.POLLIN)
    return poll
