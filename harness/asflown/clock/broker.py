"""The broker: lets held processes run, one at a time, and knows what each has sent, read and waits for.

Quiet is counted, never guessed: a process is idle when it said so, and everything that it sent before was collected.
Before time moves, everybody who waits for another process has looked again after the last one that did anything. A
wall-clock watchdog ends the wait for a process that neither waits nor exits; nothing else here asks the wall.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import socket
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

from asflown.clock import process_numbers
from asflown.clock.participant import HeldPort, Participant, Terms, Usage, poll_of
from asflown.clock.shim.asflown_held import protocol
from asflown.clock.shim.asflown_held.protocol import NEVER_US, EndpointGrant, Grant, Report
from asflown.clock.virtual import VirtualClock

SLICE_US = 100
"""How long a process may run on when others want to run at the same time: enough to get on, too short to matter."""


class Broker:
    """Fulfils `virtual.Gate` for a script, its children, and programs beside it."""

    def __init__(
        self, clock: VirtualClock, path: Path, ports: list[HeldPort], terms: Terms, watchdog_s: float
    ) -> None:
        self.busy = False
        self.wake_us = NEVER_US
        self.usage = Usage()
        self.on_gone: Callable[[], None] = lambda: None
        """The script itself ended: it exited or was killed."""
        self.on_left: Callable[[str], None] = lambda reason: None
        """A process made a call that cannot be held; it waits to be ended."""
        self.meanwhile: Callable[[], bool] = lambda: False
        """A piece of work that makes no difference to anybody, done while a process runs; whether there is more."""
        self.on_stuck: Callable[[str], None] = lambda reason: None
        """A process neither waits nor exits, or waits for what cannot happen."""
        self._clock, self._ports, self._terms = clock, ports, terms
        self._watchdog_ms = round(watchdog_s * 1000)
        self._participants: list[Participant] = []
        self._turns = 0
        self._greeted: dict[int, tuple[socket.socket, int]] = {}
        """Connections whose process nobody has told of yet, by process number."""
        self._inside: set[str] = set()
        """Addresses that processes of this flight have bound."""
        self.path = path
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        old_mask = os.umask(0o177)
        try:
            self._listener.bind(str(path))
        finally:
            os.umask(old_mask)
        self._listener.listen(64)

    def expect(self, pid: int, *, is_root: bool = True) -> None:
        """A process was spawned: time stands still until it greets or ends."""
        try:
            descriptor = os.pidfd_open(pid)
        except ProcessLookupError:
            return  # it has ended and been waited for already
        self._participants.append(Participant(pid, descriptor, is_root))
        self.busy = True
        self._match(self._participants[-1])

    def _expect_named(self, number: int, by: Participant) -> None:
        """A held process started another one, and names it as it knows it."""
        assert by.connection is not None
        with contextlib.suppress(ProcessLookupError):  # it has ended already
            self.expect(process_numbers.ours(number, process_numbers.speaker(by.connection)), is_root=False)

    def settle(self) -> None:
        """Blocks until no process runs."""
        while True:
            awaited = next((one for one in self._participants if one.connection is None), None)
            if awaited is not None:
                self._greet(awaited)
                continue
            running = next((one for one in self._participants if one.running), None)
            if running is None:
                break
            while self.meanwhile() and not _has_spoken(running):
                pass
            self._read_one(running)
        self.busy = False
        self._refresh_wake()

    def grant(self, now_us: int, horizon_us: int) -> None:
        """Hands over what the next process may read, and lets it run, at most until another one wakes."""
        chosen = self._participants[0]
        if len(self._participants) > 1:
            chosen = min(self._participants, key=lambda one: (one.wake_us, one.turn))
            others_us = min(one.wake_us for one in self._participants if one is not chosen)
            horizon_us = min(horizon_us, max(others_us, now_us + SLICE_US))
        self._turns += 1
        chosen.turn = self._turns
        chosen.stand_still()
        chosen.running = self.busy = True
        self.wake_us = NEVER_US
        if not chosen.welcomed:
            chosen.welcomed = True
            self._send(chosen, self._welcome(now_us, horizon_us, self._participants.index(chosen)))
            return
        entries = [EndpointGrant(number, *port.hand_over()) for number, port in chosen.endpoints.items()]
        number = chosen.signals.pop(0) if chosen.signals else 0
        self._send(chosen, protocol.pack_grant(Grant(now_us, horizon_us, number, entries)))

    def interrupt(self) -> None:
        """The script gets what Ctrl-C would give it, at its next grant, which is now."""
        for one in self._participants:
            if one.is_root:
                self._signal(one, signal.SIGINT)
        self._refresh_wake()

    def _signal(self, one: Participant, number: int) -> None:
        """A signal arrives at a process when the process next runs, which is now."""
        one.signals.append(number)
        if not one.running:
            one.wake_us = min(one.wake_us, self._clock.now_us())

    def _pass_signal(self, by: Participant, process: int, number: int) -> bool:
        """A process sent a signal; whether others of this flight are meant, who then get it from here."""
        assert by.connection is not None
        meant: list[Participant] = []
        with contextlib.suppress(ProcessLookupError):
            ours = process_numbers.ours(abs(process), process_numbers.speaker(by.connection))
            meant = [one for one in self._participants if _is_meant(one.pid, ours, group=process < 0)]
        others = [one for one in meant if one is not by]
        for one in others:
            self._signal(one, number)
        return bool(others)

    def notice(self, port: HeldPort) -> None:
        """A port got something to read: who waits for it wakes now."""
        for one in self._participants:
            if not one.running and port in one.waits_for:
                one.wake_us = min(one.wake_us, self._clock.now_us())
                self.wake_us = min(self.wake_us, one.wake_us)

    def close(self) -> None:
        """Frees the sockets; a process that is still there ends by itself when it notices."""
        for one in self._participants:
            os.close(one.pid_descriptor)
            if one.connection is not None:
                one.connection.close()
        for connection, _ in self._greeted.values():
            connection.close()
        self._participants = []
        self.busy, self.wake_us = False, NEVER_US  # nobody is there to be woken
        self._listener.close()
        self.path.unlink(missing_ok=True)

    def _greet(self, awaited: Participant) -> None:
        """Waits until a spawned process greets; several greet in any order, and run in the order of spawning."""
        poll = poll_of(self._listener)
        poll.register(awaited.pid_descriptor, select.POLLIN)
        ready = dict(self._clock.blocking(lambda: poll.poll(self._watchdog_ms)))
        if self._listener.fileno() in ready:
            self._accept()
        elif ready:
            self._gone(awaited)
        else:
            awaited.connection = socket.socket(socket.AF_UNIX)  # stands for one that never came
            self.on_stuck("it did not start within the watchdog's time")

    def _accept(self) -> None:
        """Takes a greeting; a child may greet before its parent has told of it."""
        connection, _ = self._listener.accept()
        version, _ = protocol.unpack_facts(connection.recv(protocol.PACKET_BYTES_MAX))
        waiting = {one.pid for one in self._participants if one.connection is None}
        speaker = process_numbers.speaker(connection)
        self._greeted[process_numbers.started_as(speaker, waiting)] = (connection, version)
        for one in self._participants:
            self._match(one)

    def _match(self, one: Participant) -> None:
        """Gives a spawned process the connection that greeted with its number."""
        if one.connection is not None or one.pid not in self._greeted:
            return
        one.connection, version = self._greeted.pop(one.pid)
        one.poll = poll_of(one.connection)
        one.wake_us = self._clock.now_us()
        if version != protocol.VERSION:
            one.stand_still()
            self.on_left(f"its clock speaks protocol {version}, this is {protocol.VERSION}")

    def _read_one(self, one: Participant) -> None:
        """Waits for one packet of the running process and acts on it."""
        assert one.poll is not None
        assert one.connection is not None
        poll = one.poll
        if not self._clock.blocking(lambda: poll.poll(self._watchdog_ms)):
            one.stand_still()
            seconds = self._watchdog_ms / 1000
            self.on_stuck(f"it neither waited nor ended within {seconds:g} s of wall time")
            return
        try:
            packet = one.connection.recv(protocol.PACKET_BYTES_MAX)
        except ConnectionError:
            packet = b""
        if packet:
            self._act(one, packet)
        else:
            self._gone(one)

    def _act(self, one: Participant, packet: bytes) -> None:
        kind = packet[0]
        if kind in {protocol.IDLE, protocol.SYNC, protocol.BYE}:
            self._take_report(one, protocol.unpack_report(packet))
        elif kind == protocol.OPEN:
            endpoint, port = protocol.unpack_open(packet)
            one.endpoints[endpoint] = self._ports[port]
            self._ports[port].opened()
        elif kind == protocol.CLOSE:
            port_gone = one.endpoints.pop(protocol.unpack_number(packet), None)
            if port_gone is not None:
                port_gone.closed()
        elif kind == protocol.SPAWN:
            self._expect_named(protocol.unpack_number(packet), one)
        elif kind == protocol.SIGNAL:
            passed = self._pass_signal(one, *protocol.unpack_signal(packet))
            self._send(one, bytes([protocol.ANSWER, passed]))
        elif kind == protocol.BOUND:
            self._inside.add(protocol.unpack_text(packet))
        elif kind == protocol.INSIDE:
            known = protocol.unpack_text(packet) in self._inside
            self._send(one, bytes([protocol.ANSWER, known]))
        elif kind in {protocol.LEAVE, protocol.STUCK}:
            one.stand_still()
            tell = self.on_left if kind == protocol.LEAVE else self.on_stuck
            tell(protocol.unpack_text(packet))

    def _welcome(self, now_us: int, horizon_us: int, number: int) -> bytes:
        terms = self._terms
        facts = {
            "now_us": now_us,
            "horizon_us": horizon_us,
            "epoch_us": self._clock.epoch_us,
            "number": number,
            "ports": [port.facts() for port in self._ports],
            **asdict(terms),
        }
        return protocol.pack_facts(protocol.WELCOME, facts)

    def _take_report(self, one: Participant, report: Report) -> None:
        """Collects what was sent; then the process is idle until its deadline or until it has news."""
        self._clock.advance_to(report.now_us)
        self.usage.total_us += report.cpu_us
        self.usage.longest_us = max(self.usage.longest_us, report.cpu_us)
        one.stand_still()
        one.looks = report.looks
        for entry in report.endpoints:
            port = one.endpoints[entry.endpoint]
            port.has_read(entry.read)
            port.collect(entry.sent)
            if entry.waits:
                one.waits_for.append(port)
        if report.kind == protocol.IDLE:
            one.wake_us = max(report.deadline_us, report.now_us)
        else:
            one.wake_us = report.now_us
        if one.signals or any(port.has_news() for port in one.waits_for):
            one.wake_us = report.now_us
        one.running = report.kind == protocol.BYE  # then what is left to read is the end of the connection
        if report.moved:
            self._ask_the_others(one)

    def _ask_the_others(self, mover: Participant | None) -> None:
        """Somebody did something: whoever waits for others looks again before time moves."""
        now_us = self._clock.now_us()
        for other in self._participants:
            if other is not mover and other.looks:
                other.wake_us = min(other.wake_us, now_us)

    def _gone(self, one: Participant) -> None:
        """A process ended. Whoever waits for that looks again, once the system knows of its end, too."""
        for port in one.endpoints.values():
            port.collect_rest()
            port.closed()
        if one.connection is not None:
            one.connection.close()
        ended = select.poll()
        ended.register(one.pid_descriptor, select.POLLIN)
        self._clock.blocking(lambda: ended.poll(self._watchdog_ms))
        os.close(one.pid_descriptor)
        self._participants.remove(one)
        self._ask_the_others(None)
        if one.is_root:
            self.on_gone()

    def _refresh_wake(self) -> None:
        self.wake_us = min((one.wake_us for one in self._participants), default=NEVER_US)

    def _send(self, one: Participant, packet: bytes) -> None:
        assert one.connection is not None
        try:
            one.connection.send(packet)
        except ConnectionError:
            self._gone(one)
            self._refresh_wake()


def _is_meant(pid: int, number: int, *, group: bool) -> bool:
    return (os.getpgid(pid) if group else pid) == number


def _has_spoken(one: Participant) -> bool:
    """Whether a packet of a running process, or its end, waits to be read."""
    return one.poll is not None and bool(one.poll.poll(0))
