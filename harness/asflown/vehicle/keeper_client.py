"""Starting a keeper, and talking to it: what a conductor does with a real vehicle.

A keeper outlives its clients by as long as it takes to bring the vehicle down. Going away without `done` is therefore
never silent: it makes the keeper act.
"""

from __future__ import annotations

import json
import select
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from asflown.clock.base import Clock
from asflown.errors import LinkProblem, VehicleProblem
from asflown.vehicle.keeper_order import KeeperOrder, Lines, Request, line_of

READY_WAIT_S, REPLY_WAIT_S = 30.0, 10.0
_READ_BYTES = 65_536


class KeeperClient:
    """One client of one keeper. Requests wait for their reply, which comes from this machine, in milliseconds."""

    def __init__(self, control: Path) -> None:
        """Connects. Raises VehicleProblem when nobody keeps a vehicle there."""
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._socket.connect(str(control))
        except OSError as error:
            self._socket.close()
            raise VehicleProblem(
                f"no keeper answers at {control} ({error.strerror})", "Look whether it has ended, and why"
            ) from error
        self._lines = Lines()
        self._requests = 0
        self._replies: dict[int, dict[str, Any]] = {}
        self._clock: Clock | None = None
        self.on_news: Callable[[dict[str, Any]], None] = lambda news: None
        """Told whatever the keeper says by itself."""
        self.on_lost: Callable[[], None] = lambda: None
        """Called when the keeper has gone."""

    def watch(self, clock: Clock) -> None:
        """From now on, news are told as they come; a paced clock's loop does that."""
        self._clock = clock
        clock.watch(self._socket.fileno(), self._read)

    def request(self, do: Request, **facts: Any) -> dict[str, Any]:
        """Asks for something; the reply. Raises VehicleProblem when it is refused or the keeper has gone."""
        number, self._requests = self._requests, self._requests + 1
        try:
            self._socket.sendall(line_of({"do": do, **facts}))
        except OSError as error:
            raise self._gone() from error
        while number not in self._replies:
            if not select.select([self._socket], [], [], REPLY_WAIT_S)[0] or not self._take():
                raise self._gone()
        reply = self._replies.pop(number)
        if not reply.get("ok"):
            raise VehicleProblem(f"the keeper refuses: {reply.get('problem')}", "")
        return reply

    def wait(self, seconds: float) -> bool:
        """Takes what the keeper says next; whether it said something in time. Raises nothing."""
        if self._socket.fileno() < 0 or not select.select([self._socket], [], [], seconds)[0]:
            return False
        return self._take()

    def done(self) -> None:
        """The flight is over: the keeper closes, having brought the vehicle down if it still is in the air."""
        self.request("done")

    def close(self) -> None:
        """Goes away. Harmless when called twice."""
        if self._clock is not None:
            self._clock.unwatch(self._socket.fileno())
            self._clock = None
        self._socket.close()

    def _gone(self) -> VehicleProblem:
        return VehicleProblem("the keeper has gone", "What it recorded until then is kept; look at its end")

    def _read(self) -> None:
        if not self._take():
            self.close()
            self.on_lost()

    def _take(self) -> bool:
        """Takes what is there; whether the keeper still is."""
        try:
            data = self._socket.recv(_READ_BYTES)
        except OSError:
            data = b""
        for said in self._lines.feed(data):
            if said is None:
                continue
            if "re" in said:
                self._replies[int(said["re"])] = said
            else:
                self.on_news(said)
        return bool(data)


def start_keeper(order: KeeperOrder) -> subprocess.Popen[bytes]:
    """Starts a keeper in a session of its own, and waits until it has the vehicle's port.

    Its standard error is what ours is. Raises LinkProblem with what it says is wrong.
    """
    process = subprocess.Popen(
        [sys.executable, "-m", "asflown.vehicle.keeper"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(order.model_dump_json().encode())
    process.stdin.close()
    ready = bool(select.select([process.stdout], [], [], READY_WAIT_S)[0])
    said = process.stdout.readline() if ready else b""
    try:
        first = json.loads(said)
    except ValueError:
        first = {"problem": "the keeper did not start", "remedy": "Look at what it wrote on standard error"}
    if first.get("is") != "ready":
        process.terminate()
        process.wait()
        process.stdout.close()
        raise LinkProblem(str(first["problem"]), str(first.get("remedy", "")))
    process.stdout.close()
    return process
