"""The broker: lets held scripts run, one at a time, and knows what each has sent, read and waits for.

Quiet is counted, never guessed: a script is idle when it said so, and everything that it sent before was collected.
A wall-clock watchdog ends the wait for a script that neither waits nor exits; nothing else here asks the wall.
"""

from __future__ import annotations

import os
import select
import socket
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from asflown.clock.shim.asflown_held import protocol
from asflown.clock.shim.asflown_held.protocol import NEVER_US, EndpointGrant, Grant, Report
from asflown.clock.virtual import VirtualClock


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
class _Participant:
    """One held process."""

    connection: socket.socket
    poll: select.poll
    running: bool = True
    wake_us: int = NEVER_US
    waits_for: list[HeldPort] = field(default_factory=list)
    endpoints: dict[int, HeldPort] = field(default_factory=dict)


@dataclass(slots=True)
class Usage:
    """CPU time that a script used, which lockstep grants for free and hardware does not."""

    total_us: int = 0
    longest_us: int = 0


class Broker:
    """Fulfils `virtual.Gate` for one script process."""

    def __init__(
        self, clock: VirtualClock, path: Path, ports: list[HeldPort], terms: Terms, watchdog_s: float
    ) -> None:
        self.wake_us = NEVER_US
        self.usage = Usage()
        self.on_gone: Callable[[], None] = lambda: None
        """The script's connection ended: it exited or was killed."""
        self.on_left: Callable[[str], None] = lambda reason: None
        """The script made a call that cannot be held; it waits to be ended."""
        self.on_stuck: Callable[[str], None] = lambda reason: None
        """The script neither waits nor exits, or waits for what cannot happen."""
        self._clock, self._ports, self._terms = clock, ports, terms
        self._watchdog_ms = round(watchdog_s * 1000)
        self._script: _Participant | None = None
        self._expected_pid_fd = -1
        self.path = path
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        old_mask = os.umask(0o177)
        try:
            self._listener.bind(str(path))
        finally:
            os.umask(old_mask)
        self._listener.listen(8)

    def expect(self, pid: int) -> None:
        """A script was spawned: time stands still until it greets or ends."""
        self._expected_pid_fd = os.pidfd_open(pid)

    def settle(self) -> None:
        """Blocks until no script runs."""
        if self._expected_pid_fd >= 0:
            self._greet()
        script = self._script
        while script is not None and script.running:
            self._read_one(script)
        self._refresh_wake()

    def grant(self, now_us: int, horizon_us: int) -> None:
        """Hands over what the script may read, and lets it run."""
        script = self._script
        assert script is not None
        script.running, script.wake_us, script.waits_for = True, NEVER_US, []
        self.wake_us = NEVER_US
        entries = [EndpointGrant(number, *port.hand_over()) for number, port in script.endpoints.items()]
        self._send(script, protocol.pack_grant(Grant(now_us, horizon_us, entries)))

    def notice(self, port: HeldPort) -> None:
        """A port got something to read: who waits for it wakes now."""
        script = self._script
        if script is not None and not script.running and port in script.waits_for:
            self.wake_us = script.wake_us = min(script.wake_us, self._clock.now_us())

    def close(self) -> None:
        """Frees the sockets; a script that is still there ends by itself when it notices."""
        if self._expected_pid_fd >= 0:
            os.close(self._expected_pid_fd)
            self._expected_pid_fd = -1
        if self._script is not None:
            self._script.connection.close()
            self._script = None
        self._listener.close()
        self.path.unlink(missing_ok=True)

    def _greet(self) -> None:
        poll = _poll_of(self._listener)
        poll.register(self._expected_pid_fd, select.POLLIN)
        ready = dict(self._clock.blocking(lambda: poll.poll(self._watchdog_ms)))
        pid_fd, self._expected_pid_fd = self._expected_pid_fd, -1
        os.close(pid_fd)
        if not ready:
            self.on_stuck("it did not start within the watchdog's time")
        elif self._listener.fileno() not in ready:
            self.on_gone()
        else:
            connection, _ = self._listener.accept()
            self._script = _Participant(connection, _poll_of(connection))

    def _read_one(self, script: _Participant) -> None:
        """Waits for one packet of the running script and acts on it."""
        if not self._clock.blocking(lambda: script.poll.poll(self._watchdog_ms)):
            self._stop_waiting(script)
            seconds = self._watchdog_ms / 1000
            self.on_stuck(f"it neither waited nor ended within {seconds:g} s of wall time")
            return
        try:
            packet = script.connection.recv(protocol.PACKET_BYTES_MAX)
        except ConnectionError:
            packet = b""
        if packet:
            self._act(script, packet)
        else:
            self._gone(script)

    def _act(self, script: _Participant, packet: bytes) -> None:
        kind = packet[0]
        if kind in (protocol.IDLE, protocol.SYNC, protocol.BYE):
            self._take_report(script, protocol.unpack_report(packet))
        elif kind == protocol.OPEN:
            endpoint, port = protocol.unpack_open(packet)
            script.endpoints[endpoint] = self._ports[port]
            self._ports[port].opened()
        elif kind == protocol.CLOSE:
            port_gone = script.endpoints.pop(protocol.unpack_close(packet), None)
            if port_gone is not None:
                port_gone.closed()
        elif kind == protocol.HELLO:
            self._welcome(script, packet)
        elif kind in (protocol.LEAVE, protocol.STUCK):
            self._stop_waiting(script)
            tell = self.on_left if kind == protocol.LEAVE else self.on_stuck
            tell(packet[1:].decode("utf-8", "replace"))

    def _welcome(self, script: _Participant, packet: bytes) -> None:
        version, _ = protocol.unpack_facts(packet)
        if version != protocol.VERSION:
            self._stop_waiting(script)
            self.on_left(f"its clock speaks protocol {version}, this is {protocol.VERSION}")
            return
        terms = self._terms
        facts = {
            "now_us": self._clock.now_us(),
            "horizon_us": self._clock.now_us(),
            "epoch_us": self._clock.epoch_us,
            "ports": [port.facts() for port in self._ports],
            **{name: getattr(terms, name) for name in Terms.__slots__},
        }
        self._send(script, protocol.pack_facts(protocol.WELCOME, facts))

    def _take_report(self, script: _Participant, report: Report) -> None:
        """Collects what was sent; then the script is idle until its deadline or until a port it waits for has news."""
        clock = self._clock
        clock.advance_to(report.now_us)
        self.usage.total_us += report.cpu_us
        self.usage.longest_us = max(self.usage.longest_us, report.cpu_us)
        script.running = False
        script.waits_for = []
        for entry in report.endpoints:
            port = script.endpoints[entry.endpoint]
            port.has_read(entry.read)
            port.collect(entry.sent)
            if entry.waits:
                script.waits_for.append(port)
        script.wake_us = (
            report.now_us if report.kind != protocol.IDLE else max(report.deadline_us, report.now_us)
        )
        if any(port.has_news() for port in script.waits_for):
            script.wake_us = report.now_us
        script.running = report.kind == protocol.BYE  # then what is left to read is the end of the connection

    def _stop_waiting(self, script: _Participant) -> None:
        script.running, script.wake_us, script.waits_for = False, NEVER_US, []

    def _gone(self, script: _Participant) -> None:
        for port in script.endpoints.values():
            port.collect_rest()
            port.closed()
        self._stop_waiting(script)
        script.connection.close()
        self._script = None
        self.on_gone()

    def _refresh_wake(self) -> None:
        self.wake_us = NEVER_US if self._script is None else self._script.wake_us

    def _send(self, script: _Participant, packet: bytes) -> None:
        try:
            script.connection.send(packet)
        except ConnectionError:
            self._gone(script)
            self._refresh_wake()


def _poll_of(connection: socket.socket) -> select.poll:
    poll = select.poll()
    poll.register(connection, select.POLLIN)
    return poll
