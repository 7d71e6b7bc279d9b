"""The keeper's door: a UNIX socket that its clients talk to, each in lines of JSON.

A client that reads too little is let go; the keeper waits for nobody.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

from asflown.clock.base import Clock
from asflown.errors import LinkProblem
from asflown.vehicle.keeper_order import Lines, line_of

CLIENTS_AT_MOST = 8
_READ_BYTES = 65_536

Answering = Callable[[dict[str, Any]], dict[str, Any]]
"""Takes a request; returns what the reply says beside its number. Must not raise."""


class _Client:
    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection
        self.lines = Lines()
        self.requests = 0


class ControlDoor:
    """Listens at a path. `on_alone` is called when the last client has gone."""

    def __init__(self, clock: Clock, path: Path, answer: Answering, on_alone: Callable[[], None]) -> None:
        self._clock, self._path, self._answer, self._on_alone = clock, path, answer, on_alone
        self._listener: socket.socket | None = None
        self._clients: dict[int, _Client] = {}
        self.ever_had_one = False

    def open(self) -> None:
        """Makes the socket, for this user alone. Raises LinkProblem."""
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        listener.setblocking(False)
        before = os.umask(0o177)
        try:
            listener.bind(str(self._path))
            listener.listen(CLIENTS_AT_MOST)
        except OSError as error:
            listener.close()
            raise LinkProblem(
                f"{self._path} cannot be made: {error.strerror}", "Name another place"
            ) from error
        finally:
            os.umask(before)
        self._listener = listener
        self._clock.watch(listener.fileno(), self._accept)

    def tell(self, news: dict[str, Any]) -> None:
        """Says something to every client."""
        for key in list(self._clients):
            self._send(key, news)

    def close(self) -> None:
        """Lets everybody go and removes the socket. Harmless when called twice."""
        if self._listener is None:
            return
        self._clock.unwatch(self._listener.fileno())
        self._listener.close()
        self._listener = None
        for key in list(self._clients):
            self._drop(key)
        self._path.unlink(missing_ok=True)

    def _accept(self) -> None:
        assert self._listener is not None
        try:
            connection, _ = self._listener.accept()
        except OSError:
            return
        if len(self._clients) >= CLIENTS_AT_MOST:
            connection.close()
            return
        connection.setblocking(False)
        key = connection.fileno()
        self._clients[key] = _Client(connection)
        self.ever_had_one = True
        self._clock.watch(key, lambda: self._read(key))

    def _read(self, key: int) -> None:
        client = self._clients[key]
        try:
            data = client.connection.recv(_READ_BYTES)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._lose(key)
            return
        for request in client.lines.feed(data):
            said = (
                {"ok": False, "problem": "this is no request"} if request is None else self._answer(request)
            )
            self._send(key, {"re": client.requests, **said})
            client.requests += 1

    def _send(self, key: int, said: dict[str, Any]) -> None:
        client = self._clients.get(key)
        if client is None:
            return
        line = line_of(said)
        try:
            sent = client.connection.send(line)
        except OSError:
            sent = 0
        if sent < len(line):  # it does not read: gone, for all that matters here
            self._lose(key)

    def _lose(self, key: int) -> None:
        self._drop(key)
        if not self._clients and self._listener is not None:
            self._on_alone()

    def _drop(self, key: int) -> None:
        client = self._clients.pop(key)
        self._clock.unwatch(key)
        client.connection.close()
