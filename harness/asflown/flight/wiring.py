"""The script's port: which address the script is told, and the hub's side of it on either clock."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from asflown.clock.base import Clock
from asflown.link import ports
from asflown.link.base import Endpoint
from asflown.link.endpoint import make_endpoint
from asflown.link.held import LOOPBACK, HeldPort, HeldPtyPort, HeldTcpPort, HeldUdpPort
from asflown.link.url import parse
from asflown.link.wire import FrameReader
from asflown.scenario.model import Script

SERIAL_BAUD = 57_600
"""What a script with a `{baud}` is told; a pseudo-terminal takes any."""


@dataclass(frozen=True, slots=True)
class ScriptPort:
    """Where script and hub meet. `transport` is udp, tcp or serial; `script_listens` says who waits for whom."""

    transport: str
    script_listens: bool
    port: int
    path: Path | None = None

    def fill(self, words: tuple[str, ...], style: str) -> tuple[str, ...]:
        """`words` with {link}, {host}, {port} and {baud} filled in."""
        values = {
            "{link}": self._link(style),
            "{host}": LOOPBACK,
            "{port}": str(self.path or self.port),
            "{baud}": str(SERIAL_BAUD),
        }
        filled = []
        for word in words:
            for placeholder, value in values.items():
                word = word.replace(placeholder, value)  # noqa: PLW2901 - each placeholder in turn
            filled.append(word)
        return tuple(filled)

    def says(self) -> str:
        """The address as the script may print it; it differs between equal flights."""
        return str(self.path) if self.path else f"{LOOPBACK}:{self.port}"

    def _link(self, style: str) -> str:
        if self.path is not None:
            return f"serial://{self.path}?baud={SERIAL_BAUD}" if style == "url" else str(self.path)
        address = f"{LOOPBACK}:{self.port}"
        if style == "host-port":
            return address
        listens = self.script_listens
        if style == "url":
            return f"{self.transport}{'-listen' if listens else ''}://{address}"
        if self.transport == "tcp":
            return f"tcp:{address}"
        return f"{'udpin' if listens else 'udpout'}:{address}"

    def held(self) -> HeldPort:
        """The hub's side for a script in lockstep."""
        if self.path is not None:
            return HeldPtyPort(FrameReader(), path=self.path)
        if self.transport == "tcp":
            return HeldTcpPort(FrameReader(), port=self.port)
        return HeldUdpPort(FrameReader(), script_listens=self.script_listens, port=self.port)

    def paced(self, clock: Clock) -> Endpoint:
        """The hub's side for a script in wall time."""
        if self.path is not None:
            return make_endpoint(f"pty://{self.path}", clock, name="script")
        side = "" if self.script_listens else "-listen"
        return make_endpoint(f"{self.transport}{side}://{LOOPBACK}:{self.port}", clock, name="script")


def choose_port(script: Script, folder: Path) -> ScriptPort:
    """The port of a script's own, or a free one; a serial port's path lies in `folder`.

    Raises LinkProblem when the script's own port is taken by another program.
    """
    if own := script.listens or script.dials:
        url = parse(own)
        kind = url.kind.removesuffix("-listen")
        listens = script.listens is not None
        ports.check_free(f"{kind}-listen://{LOOPBACK}:{url.port}")
        return ScriptPort(kind, listens, url.port)
    link = script.link
    if link.transport == "serial":
        return ScriptPort("serial", script_listens=False, port=0, path=folder / "tty")
    if link.transport == "tcp":
        return ScriptPort("tcp", script_listens=False, port=ports.free_tcp_port())
    return ScriptPort("udp", link.side == "listens", ports.free_udp_port())
