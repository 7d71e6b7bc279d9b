"""Sockets: those that lead to the hub are counted; those between processes of the flight wait in virtual time.

A socket that leads out of the flight may send (nothing comes back that way); waiting on one cannot be held.
"""

from __future__ import annotations

import errno
import os
import select
import socket
from typing import Any, Callable

from .foreign import wait_ready
from .held import Channel, Held
from .protocol import NEVER_US

_real_poll = select.poll
LOOPBACK = ("127.0.0.1", "localhost", "", "0.0.0.0")  # noqa: S104 - what scripts bind, not what we do
TCP_CHUNK_BYTES = 16_384
NETWORK = (socket.AF_INET, socket.AF_INET6)


def hold(held: Held) -> None:
    """Replaces methods of `socket.socket`."""
    real = {name: getattr(socket.socket, name) for name in _NAMES}
    ways = _Ways()
    for make in (_receivers, _senders, _openers):
        for name, wrapper in make(held, real, ways).items():
            setattr(socket.socket, name, wrapper)


class _Ways:
    """Where sockets lead that do not lead to the hub, by descriptor."""

    def __init__(self) -> None:
        self.outside: set[int] = set()
        """Out of the flight."""
        self.announced: set[int] = set()
        """To be reached by others of the flight: the broker knows the address."""

    def forget(self, descriptor: int) -> None:
        """The socket is closed; its number may come again."""
        self.outside.discard(descriptor)
        self.announced.discard(descriptor)


_NAMES = (
    *("accept", "bind", "connect", "connect_ex", "close", "detach", "send", "sendall", "sendto", "sendmsg"),
    *("recv", "recvfrom", "recv_into", "recvfrom_into", "recvmsg", "recvmsg_into"),
)


def _receivers(held: Held, real: Any, ways: _Ways) -> Any:
    def make(name: str, size_of: Callable[[Any], int], flags_at: int) -> Any:
        call = real[name]

        def receive(self: socket.socket, *args: Any, **kwargs: Any) -> Any:
            channel = held.channels.get(self.fileno())
            if channel is None:
                _wait_for_others(held, ways, self, name)
                return call(self, *args, **kwargs)
            flags = args[flags_at] if len(args) > flags_at else kwargs.get("flags", 0)
            _wait_readable(held, self, channel, flags)
            result = call(self, *args, **kwargs)
            if not flags & socket.MSG_PEEK:
                channel.read += size_of(result) if channel.stream else 1
            return result

        receive.__name__ = name
        return receive

    return {
        "recv": make("recv", len, 1),
        "recvfrom": make("recvfrom", lambda result: len(result[0]), 1),
        "recv_into": make("recv_into", int, 2),
        "recvfrom_into": make("recvfrom_into", lambda result: int(result[0]), 2),
        "recvmsg": make("recvmsg", lambda result: len(result[0]), 2),
        "recvmsg_into": make("recvmsg_into", lambda result: int(result[0]), 2),
    }


def _wait_readable(held: Held, sock: socket.socket, channel: Channel, flags: int) -> None:
    """Waits in virtual time until something lies in the socket; raises as the real call would when nothing comes."""
    timeout_s = 0.0 if flags & socket.MSG_DONTWAIT else sock.gettimeout()
    deadline_us: int | None = None if timeout_s is None else held.now_us + int(timeout_s * 1e6)
    while not held.available(channel):
        if timeout_s == 0:
            held.charge_empty_look()
            if held.available(channel):
                break
            raise BlockingIOError(errno.EAGAIN, "Resource temporarily unavailable")
        if deadline_us is not None and held.now_us >= deadline_us:
            raise socket.timeout("timed out")
        held.strands.wait((channel,), (1 << 62) - 1 if deadline_us is None else deadline_us)
    _wait_really(sock)


def _wait_really(sock: socket.socket) -> None:
    """What was counted out to us may still be on its way through the kernel: that wait is real, and short."""
    poll = _real_poll()
    poll.register(sock.fileno(), select.POLLIN)
    poll.poll()


def _wait_for_others(held: Held, ways: _Ways, sock: socket.socket, name: str) -> None:
    """Waits until another process of the flight sent something; raises as the real call would when nothing comes."""
    timeout_s = sock.gettimeout()
    if sock.fileno() in ways.outside:
        held.leave(f"socket.{name} on a socket that leads out of the flight")
    if timeout_s == 0:
        return
    deadline_us = NEVER_US if timeout_s is None else held.now_us + int(timeout_s * 1e6)
    poll = _real_poll()
    poll.register(sock.fileno(), select.POLLIN)
    while not poll.poll(0):
        if held.now_us >= deadline_us:
            raise socket.timeout("timed out")
        held.strands.wait((), deadline_us, lambda: poll.poll(0))


def _senders(held: Held, real: Any, ways: _Ways) -> Any:
    known: dict[str, bool] = {}

    def send(self: socket.socket, data: Any, *flags: Any) -> int:
        channel = held.channels.get(self.fileno())
        if channel is not None and channel.stream:
            data = memoryview(data)[:TCP_CHUNK_BYTES]
        elif channel is None and self.type == socket.SOCK_STREAM and self.gettimeout() != 0:
            wait_ready(held, self.fileno(), select.POLLOUT, "socket.send")
            data = memoryview(data)[:TCP_CHUNK_BYTES]
        sent: int = real["send"](self, data, *flags)
        if channel is not None:
            held.count_sent(channel, sent if channel.stream else 1)
        return sent

    def sendall(self: socket.socket, data: Any, *flags: Any) -> None:
        rest = memoryview(data).cast("B")
        while rest:
            rest = rest[send(self, rest, *flags) :]

    def sendto(self: socket.socket, data: Any, *rest: Any) -> int:
        address = rest[-1]
        channel = held.channels.get(self.fileno()) or _dial(held, self, address)
        if channel is None and not known.get(name := _address_name(self, address)):
            known[name] = held.is_inside(name)
            if not known[name]:
                ways.outside.add(self.fileno())
        leads_to_hub = channel is not None and _leads_to_hub(channel, address)
        if channel is not None and leads_to_hub:
            rest = (*rest[:-1], (LOOPBACK[0], channel.facts["hub_port"]))
        sent: int = real["sendto"](self, data, *rest)
        if channel is not None and leads_to_hub:
            held.count_sent(channel, 1)
        elif self.family in NETWORK and self.fileno() not in ways.announced:
            ways.announced.add(self.fileno())  # sending bound it, if it was not: whoever hears it may answer
            held.bound(_address_name(self, self.getsockname()))
        return sent

    def sendmsg(self: socket.socket, *args: Any) -> int:
        if self.fileno() in held.channels:
            held.leave("socket.sendmsg")
        return int(real["sendmsg"](self, *args))

    return {"send": send, "sendall": sendall, "sendto": sendto, "sendmsg": sendmsg}


def _openers(held: Held, real: Any, ways: _Ways) -> Any:
    def bind(self: socket.socket, address: Any) -> None:
        port = None
        if self.family == socket.AF_INET and self.type == socket.SOCK_DGRAM and address[0] in LOOPBACK:
            port = held.port_for("udp", "bind", address[1])
        real["bind"](self, address if port is None else (address[0], held.ports[port]["real_port"]))
        if port is not None:
            held.open_channel(self.fileno(), port)
        elif self.family in {socket.AF_INET, socket.AF_INET6, socket.AF_UNIX}:
            held.bound(_address_name(self, self.getsockname()))

    def connect(self: socket.socket, address: Any) -> None:
        error = connect_ex(self, address)
        if error == errno.EINPROGRESS:
            raise BlockingIOError(error, "Operation now in progress")
        if error:
            raise OSError(error, os.strerror(error))

    def connect_ex(self: socket.socket, address: Any) -> int:
        port = None
        if self.family == socket.AF_INET and address[0] in LOOPBACK:
            kind = "udp" if self.type == socket.SOCK_DGRAM else "tcp"
            port = held.port_for(kind, "dial", address[1])
        if port is None and not held.is_inside(_address_name(self, address)):
            ways.outside.add(self.fileno())
            if self.type == socket.SOCK_STREAM:
                held.leave(f"a connection to {_address_name(self, address)}, which is out of the flight")
        error = int(real["connect_ex"](self, _real_address(held, port, address)))
        if error in {0, errno.EINPROGRESS} and self.type == socket.SOCK_STREAM:
            poll = _real_poll()
            poll.register(self.fileno(), select.POLLOUT)
            poll.poll()
        if port is not None and not error:
            held.open_channel(self.fileno(), port)
        return error

    def accept(self: socket.socket) -> Any:
        _wait_for_others(held, ways, self, "accept")
        return real["accept"](self)

    def close(self: socket.socket) -> None:
        if self._io_refs <= 0:  # type: ignore[attr-defined]  # else a file made from it still needs it
            held.close_channel(self.fileno())
            ways.forget(self.fileno())
        real["close"](self)

    def detach(self: socket.socket) -> int:
        held.close_channel(self.fileno())
        return int(real["detach"](self))

    return {
        "bind": bind,
        "connect": connect,
        "connect_ex": connect_ex,
        "accept": accept,
        "close": close,
        "detach": detach,
    }


def _dial(held: Held, sock: socket.socket, address: Any) -> Channel | None:
    """Attaches a UDP socket that speaks to the hub's port for the first time."""
    if sock.family != socket.AF_INET or address[0] not in LOOPBACK:
        return None
    port = held.port_for("udp", "dial", address[1])
    return None if port is None else held.open_channel(sock.fileno(), port)


def _address_name(sock: socket.socket, address: Any) -> str:
    """An address as the broker knows it: alike for who binds and who connects."""
    kind = "tcp" if sock.type == socket.SOCK_STREAM else "udp"
    if sock.family not in NETWORK:
        return f"unix:{os.fsdecode(address) if isinstance(address, (str, bytes)) else address}"
    host = "loopback" if address[0] in (*LOOPBACK, "::1", "::") else address[0]
    return f"{kind}:{host}:{address[1]}"


def _leads_to_hub(channel: Channel, address: Any) -> bool:
    facts = channel.facts
    dialled = (facts["port"],) if facts["role"] == "dial" else ()
    return address[0] in LOOPBACK and address[1] in (facts["hub_port"], *dialled)


def _real_address(held: Held, port: int | None, address: Any) -> Any:
    """Where a fixed port of the script's own really is."""
    return address if port is None else (address[0], held.ports[port]["real_port"])
