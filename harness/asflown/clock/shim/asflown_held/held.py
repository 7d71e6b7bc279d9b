"""The state of one held process: its virtual time, its endpoints, and the conversation with the broker.

Between a grant and the next report this process alone may move `now_us`, and only up to `horizon_us`: nothing that
it could notice happens before that. What it sent is reported before time moves past it.
"""

from __future__ import annotations

import os
import socket as _socket_module
import sys
import time as _time_module
from collections.abc import Iterable
from functools import partial
from types import FrameType
from typing import Any, Callable, NoReturn

from . import protocol
from .replacing import Replacements
from .strands import Strands

_process_time_ns = _time_module.process_time_ns
_real_send, _real_receive = _socket_module.socket.send, _socket_module.socket.recv
SYNC_AFTER_DATAGRAMS = 64
SYNC_AFTER_BYTES = 16_384
OWN_FOLDER = os.path.dirname(os.path.abspath(__file__))


class Channel:
    """One endpoint of the script at a port of the hub. Counts are datagrams, or bytes for streams."""

    __slots__ = ("delivered", "facts", "more", "number", "read", "sent", "stream")

    def __init__(self, number: int, facts: dict[str, Any]) -> None:
        self.number, self.facts = number, facts
        self.stream = facts["kind"] != "udp"
        self.sent = self.read = self.delivered = 0
        self.more = False


class Held:
    """This process, as the broker sees it."""

    def __init__(self, connection: _socket_module.socket, terms: dict[str, Any]) -> None:
        self.channels: dict[int, Channel] = {}
        """By file descriptor."""
        self.opening_serial = False
        """While `os.open` runs: that way of opening a serial port is held, others are not."""
        self.aside = False
        """While something is done that no flight time passes for: starting a child, asking the system for a library."""
        self.children: set[int] = set()
        """Processes that this one has told the broker of."""
        self.moved = True
        """Whether a thread did more than look since the last grant."""
        self.on_signal: Callable[[int], None] = lambda number: None
        """What a signal from another process does in this one, in its main thread."""
        self.replacements = Replacements()
        self.strands = Strands(self)
        self._take_terms(connection, terms)

    def _take_terms(self, connection: _socket_module.socket, terms: dict[str, Any]) -> None:
        """What the broker says at the beginning of a process."""
        self._connection = connection
        self._send = partial(_real_send, connection)
        self._receive = partial(_real_receive, connection)
        self.now_us: int = terms["now_us"]
        self.horizon_us: int = terms["horizon_us"]
        self.epoch_us: int = terms["epoch_us"]
        self.ports: list[dict[str, Any]] = terms["ports"]
        self.seed: int = terms["seed"]
        self.number: int = terms["number"]
        """Which of the flight's processes this is, by the order of their start."""
        self._terms = terms
        self._clock_read_us: int = terms["clock_read_us"]
        self._compute_us: int = terms["compute_us"]
        self._channel_number = self._reads = self._unreported = 0
        self._cpu_ns = _process_time_ns()

    # Time

    def read_clock_us(self) -> int:
        """Virtual flight time; each look costs a little, so that a busy script gets on."""
        self._reads += 1
        now_us = self.now_us + self._clock_read_us
        if self._reads >= self._terms["reads_without_wait"]:
            self._reads = 0
            now_us += self._terms["reads_without_wait_us"]
        self.now_us = now_us
        if now_us >= self.horizon_us:
            self.sync()
        return self.now_us

    def charge_empty_look(self) -> None:
        """A receive or poll that found nothing."""
        self._charge(self._terms["empty_look_us"])

    def charge_failed_lock(self) -> None:
        """A lock that was tried and found taken."""
        self._charge(self._terms["failed_lock_us"])

    def _charge(self, cost_us: int) -> None:
        self.now_us += cost_us
        if self.now_us >= self.horizon_us:
            self.sync()

    def sleep_until(self, deadline_us: int) -> None:
        """Passes virtual time without looking at any endpoint."""
        while self.now_us < deadline_us:
            self.strands.wait((), deadline_us)

    def idle(self, channels: set[int], deadline_us: int, *, looks: bool) -> None:
        """All threads wait: for news in endpoints, by their numbers, for the deadline, or (`looks`) for others."""
        if deadline_us < self.horizon_us and not self._unreported and not looks:
            self.now_us = max(self.now_us, deadline_us)  # nothing can arrive before the horizon
        elif deadline_us >= protocol.NEVER_US and not channels and not looks:
            self._stuck()
        else:
            self._report(protocol.IDLE, channels, deadline_us, looks=looks)
        self._reads = 0
        self.now_us += self._compute_us
        if self.now_us >= self.horizon_us:
            self._catch_up()

    def sync(self) -> None:
        """Lets the harness catch up to this process's time, and other threads run before this one goes on."""
        self._catch_up()
        self.strands.give_way()

    def _catch_up(self) -> None:
        self._report(protocol.SYNC, frozenset(), self.now_us)
        while self.now_us >= self.horizon_us:
            self._report(protocol.SYNC, frozenset(), self.now_us)

    # Endpoints

    def port_for(self, kind: str, role: str, port: int) -> int | None:
        """The index of the hub's port that the script means, if it is one."""
        for index, facts in enumerate(self.ports):
            if facts["kind"] == kind and facts["role"] == role and facts["port"] == port:
                return index
        return None

    def port_for_path(self, path: str) -> int | None:
        """The index of the hub's serial port at `path`, if it is one."""
        for index, facts in enumerate(self.ports):
            if facts["kind"] == "serial" and path in (facts["path"], facts["device"]):
                return index
        return None

    def open_channel(self, descriptor: int, port: int) -> Channel:
        """Attaches a descriptor to a port of the hub."""
        self._channel_number += 1
        channel = self.channels[descriptor] = Channel(self._channel_number, self.ports[port])
        self._send(protocol.pack_open(channel.number, port))
        return channel

    def close_channel(self, descriptor: int) -> None:
        """Detaches a descriptor, if it was attached; what was sent before is reported first."""
        if descriptor in self.channels:
            if self._unreported:
                self.sync()
            channel = self.channels.pop(descriptor)
            self._send(protocol.pack_number(protocol.CLOSE, channel.number))

    def available(self, channel: Channel) -> int:
        """How much lies ready in the real descriptor, asking for what the harness holds back."""
        while channel.read >= channel.delivered and channel.more:
            self._catch_up()
        return channel.delivered - channel.read

    def count_sent(self, channel: Channel, amount: int) -> None:
        """Counts what went out; a flood is reported in between, before a real buffer overflows."""
        channel.sent += amount
        self._unreported += amount
        if self._unreported >= (SYNC_AFTER_BYTES if channel.stream else SYNC_AFTER_DATAGRAMS):
            self.sync()

    # Other processes

    def spawned(self, pid: int) -> None:
        """This process started another one; time stands still until it greets."""
        self.children.add(pid)
        self._send(protocol.pack_number(protocol.SPAWN, pid))

    def bound(self, address: str) -> None:
        """This process can be reached at an address from now on."""
        self._send(protocol.pack_text(protocol.BOUND, address))

    def is_inside(self, address: str) -> bool:
        """Whether a process of this flight has bound an address."""
        self._send(protocol.pack_text(protocol.INSIDE, address))
        return self._receive(protocol.PACKET_BYTES_MAX)[1] == 1

    def pass_signal(self, process: int, number: int) -> bool:
        """Sends a signal to another process or (negative) a group; whether any process of this flight gets it."""
        self._send(protocol.pack_signal(process, number))
        return self._receive(protocol.PACKET_BYTES_MAX)[1] == 1

    def begin_again(self, connection: _socket_module.socket, terms: dict[str, Any]) -> None:
        """After a fork: this is another process now, with one thread, a connection and endpoints of its own."""
        self._connection.close()
        self.channels.clear()
        self.children.clear()
        self.moved = True
        self.strands.after_fork()
        self._take_terms(connection, terms)

    # Leaving

    def leave(self, call: str) -> NoReturn:
        """Says which call cannot be held, then stands still until the harness ends this process."""
        self._say_last(protocol.LEAVE, f"{call} ({_users_line()})")

    def _stuck(self) -> NoReturn:
        stacks = self.strands.stacks()
        self._say_last(protocol.STUCK, f"every thread waits for what cannot happen\n{stacks}")

    def _say_last(self, kind: int, text: str) -> NoReturn:
        self._send(protocol.pack_text(kind, text))
        while self._receive(protocol.PACKET_BYTES_MAX):
            pass
        os._exit(1)

    def bye(self) -> None:
        """The interpreter is about to end."""
        try:
            self._send(self._pack(protocol.BYE, frozenset(), self.now_us, looks=False))
        except OSError:
            pass  # the harness has gone first
        self._connection.close()

    def _pack(self, kind: int, waiting: Iterable[int], deadline_us: int, *, looks: bool) -> bytes:
        cpu_us = (_process_time_ns() - self._cpu_ns) // 1000
        entries = [
            protocol.EndpointReport(channel.number, channel.sent, channel.read, channel.number in waiting)
            for channel in self.channels.values()
        ]
        return protocol.pack_report(
            protocol.Report(kind, self.now_us, deadline_us, cpu_us, looks, self.moved, entries)
        )

    def _report(self, kind: int, waiting: Any, deadline_us: int, *, looks: bool = False) -> None:
        """Reports, then stands still until the next grant."""
        self._unreported = 0
        try:
            self._send(self._pack(kind, waiting, deadline_us, looks=looks))
            packet = self._receive(protocol.PACKET_BYTES_MAX)
        except OSError:
            packet = b""
        if not packet:
            os._exit(1)  # the harness is gone: without it there is no time, and nobody to fly for
        grant = protocol.unpack_grant(packet)
        self.moved = kind == protocol.SYNC
        self.now_us, self.horizon_us = grant.now_us, grant.horizon_us
        if grant.signal:
            self.strands.interrupts.append(partial(self.on_signal, grant.signal))
        by_number = {entry.endpoint: entry for entry in grant.endpoints}
        for channel in self.channels.values():
            entry = by_number.get(channel.number)
            if entry is not None:
                channel.delivered, channel.more = entry.delivered, entry.more
        self._cpu_ns = _process_time_ns()


class _Builtin:
    """A callable that, like a builtin, is not bound when a class keeps it, and is pickled by its name."""

    def __init__(self, function: Callable[..., Any], name: str) -> None:
        self._function = function
        self.__name__ = self.__qualname__ = name

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        return self._function(*args, **kwargs)

    def __reduce__(self) -> str:
        return self.__name__


def as_builtin(function: Callable[..., Any], name: str) -> Callable[..., Any]:
    """`function` under the name of the builtin that it stands for."""
    function.__name__ = name
    return _Builtin(function, name)


def _users_line() -> str:
    """The line of the user's code nearest to the call, as file:line."""
    frame: FrameType | None = sys._getframe(2)
    library = os.path.dirname(os.__file__)
    nearest = ""
    while frame is not None:
        file = frame.f_code.co_filename
        if not file.startswith((OWN_FOLDER, library, "<")):
            return f"{file}:{frame.f_lineno}"
        if not nearest and not file.startswith((OWN_FOLDER, "<")):
            nearest = f"{file}:{frame.f_lineno}"
        frame = frame.f_back
    return nearest or "in the interpreter's start-up"
