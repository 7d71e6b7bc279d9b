"""The messages between a held script and the broker, over a listening SOCK_SEQPACKET UNIX socket.

One packet is one message: a kind byte, then the fields, little-endian. Times are flight times in whole microseconds.
Counts are totals since the endpoint was opened: datagrams for UDP, bytes for streams. A script runs only between a
GRANT (or WELCOME) and its next IDLE, SYNC, LEAVE or BYE, so the newest `now` it holds is true by construction and
needs no shared memory.

    script → harness                                        harness → script
    HELLO  version, JSON (pid, python, argv)                WELCOME  version, JSON (now, horizon, epoch, costs, ports)
    OPEN   endpoint, port                                   GRANT    now, horizon, delivered per endpoint
    CLOSE  endpoint
    IDLE   now, deadline, CPU time, sent/read per endpoint  ANSWER   yes or no to INSIDE or SIGNAL
    SYNC   as IDLE, asking to go on at once
    SPAWN  a child process, by its number
    SIGNAL a signal for another process, or a group
    BOUND  an address that this process listens at
    INSIDE is that address one of this flight's?
    LEAVE  which call cannot be held, in words
    STUCK  what every thread waits for, in words
    BYE    as IDLE, the interpreter is about to end
"""

from __future__ import annotations

import json
import struct
from typing import Any, NamedTuple

VERSION = 2
SOCKET_VARIABLE = "ASFLOWN_CLOCK_SOCKET"
NEVER_US = (1 << 62) - 1
"""A deadline that is never reached."""
PACKET_BYTES_MAX = 65_536

HELLO, OPEN, CLOSE, IDLE, SYNC, LEAVE, BYE, STUCK, SPAWN, BOUND, INSIDE, SIGNAL = range(1, 13)
WELCOME, GRANT, ANSWER = 65, 66, 67

_REPORT = struct.Struct("<BqqqBI")
_REPORT_ENTRY = struct.Struct("<IqqB")
_GRANT = struct.Struct("<BqqBI")
_GRANT_ENTRY = struct.Struct("<IqB")
_OPEN = struct.Struct("<BII")
_NUMBER = struct.Struct("<BI")
_SIGNAL = struct.Struct("<BiB")


class EndpointReport(NamedTuple):
    """What a script says of one endpoint: totals sent and read, and whether it waits for something to read."""

    endpoint: int
    sent: int
    read: int
    waits: bool


class Report(NamedTuple):
    """IDLE, SYNC or BYE. `cpu_us` is the CPU time since the last grant.

    `looks`: it waits for something that another process may do. `moved`: it did more than look since the last grant.
    """

    kind: int
    now_us: int
    deadline_us: int
    cpu_us: int
    looks: bool
    moved: bool
    endpoints: list[EndpointReport]


class EndpointGrant(NamedTuple):
    """What lies in one endpoint: total delivered, and whether the harness holds back more."""

    endpoint: int
    delivered: int
    more: bool


class Grant(NamedTuple):
    """The script may run from `now_us` until it waits or its own time reaches `horizon_us`.

    `signal`: the number of one that its main thread gets now, or 0.
    """

    now_us: int
    horizon_us: int
    signal: int
    endpoints: list[EndpointGrant]


def pack_report(report: Report) -> bytes:
    """The packet of an IDLE, SYNC or BYE."""
    flags = report.looks | report.moved << 1
    head = _REPORT.pack(
        report.kind, report.now_us, report.deadline_us, report.cpu_us, flags, len(report.endpoints)
    )
    return head + b"".join([_REPORT_ENTRY.pack(*entry) for entry in report.endpoints])


def unpack_report(packet: bytes) -> Report:
    """The report in a packet; raises ValueError when it is not one."""
    try:
        kind, now_us, deadline_us, cpu_us, flags, count = _REPORT.unpack_from(packet)
        entries = [
            _REPORT_ENTRY.unpack_from(packet, _REPORT.size + i * _REPORT_ENTRY.size) for i in range(count)
        ]
    except struct.error as error:
        raise ValueError("a report packet is cut short") from error
    endpoints = [EndpointReport(e, s, r, bool(w)) for e, s, r, w in entries]
    return Report(kind, now_us, deadline_us, cpu_us, bool(flags & 1), bool(flags & 2), endpoints)


def pack_grant(grant: Grant) -> bytes:
    """The packet of a GRANT."""
    head = _GRANT.pack(GRANT, grant.now_us, grant.horizon_us, grant.signal, len(grant.endpoints))
    return head + b"".join([_GRANT_ENTRY.pack(*entry) for entry in grant.endpoints])


def unpack_grant(packet: bytes) -> Grant:
    """The grant in a packet; raises ValueError when it is not one."""
    try:
        kind, now_us, horizon_us, signal, count = _GRANT.unpack_from(packet)
        entries = [
            _GRANT_ENTRY.unpack_from(packet, _GRANT.size + i * _GRANT_ENTRY.size) for i in range(count)
        ]
    except struct.error as error:
        raise ValueError("a grant packet is cut short") from error
    if kind != GRANT:
        raise ValueError(f"packet kind {kind} where a grant was due")
    return Grant(now_us, horizon_us, signal, [EndpointGrant(e, d, bool(m)) for e, d, m in entries])


def pack_open(endpoint: int, port: int) -> bytes:
    """The packet that attaches an endpoint of the script to a port of the hub."""
    return _OPEN.pack(OPEN, endpoint, port)


def unpack_open(packet: bytes) -> tuple[int, int]:
    """Endpoint and port index of an OPEN."""
    _, endpoint, port = _OPEN.unpack_from(packet)
    return endpoint, port


def pack_number(kind: int, number: int) -> bytes:
    """A CLOSE (an endpoint) or SPAWN (a process)."""
    return _NUMBER.pack(kind, number)


def unpack_number(packet: bytes) -> int:
    """The number in a CLOSE or SPAWN."""
    number: int = _NUMBER.unpack_from(packet)[1]
    return number


def pack_signal(process: int, number: int) -> bytes:
    """The packet of a SIGNAL; a negative `process` is a group of processes, as in `kill(2)`."""
    return _SIGNAL.pack(SIGNAL, process, number)


def unpack_signal(packet: bytes) -> tuple[int, int]:
    """Process (or group, negative) and signal number of a SIGNAL."""
    _, process, number = _SIGNAL.unpack_from(packet)
    return process, number


def pack_text(kind: int, text: str) -> bytes:
    """A LEAVE, STUCK, BOUND or INSIDE."""
    return bytes([kind]) + text.encode("utf-8", "replace")[: PACKET_BYTES_MAX - 1]


def unpack_text(packet: bytes) -> str:
    """The text in a LEAVE, STUCK, BOUND or INSIDE."""
    return packet[1:].decode("utf-8", "replace")


def pack_facts(kind: int, facts: dict[str, Any]) -> bytes:
    """A HELLO or WELCOME: the kind, the protocol version, facts as JSON."""
    return struct.pack("<BH", kind, VERSION) + json.dumps(facts).encode()


def unpack_facts(packet: bytes) -> tuple[int, dict[str, Any]]:
    """Protocol version and facts of a HELLO or WELCOME; raises ValueError when it is not one."""
    try:
        _, version = struct.unpack_from("<BH", packet)
    except struct.error as error:
        raise ValueError("a greeting is cut short") from error
    facts: dict[str, Any] = json.loads(packet[3:])
    return version, facts
