"""The script's port: which address the script is told, and the hub's side of it on either clock."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from asflown.clock.base import Clock
from asflown.errors import LinkProblem
from asflown.link import ports
from asflown.link.base import Endpoint
from asflown.link.endpoint import make_endpoint
from asflown.link.held_stream import HeldPtyPort, HeldTcpPort
from asflown.link.held_udp import HeldUdpPort
from asflown.link.modelled import LOOPBACK, ModelledPort
from asflown.link.wire import FrameReader
from asflown.scenario.model import Script
from asflown.url import parse

SERIAL_BAUD = 57_600
"""What a script with a `{baud}` is told; a pseudo-terminal takes any."""
PORT_PAIRS = range(24_560, 26_560, 2)
"""Equal flights see equal ports, unless others fly beside them."""


@dataclass(frozen=True, slots=True)
class ScriptPort:
    """Where script and hub meet. `transport` is udp, tcp or serial; `script_listens` says who waits for whom."""

    transport: str
    script_listens: bool
    port: int
    path: Path | None = None
    script_port: int | None = None
    """A fixed port of the script's own, which a held script believes that it uses: `port` is the real one."""
    hub_port: int = 0
    """What the hub sends from where the script listens; 0 lets the system choose."""

    def fill(self, words: tuple[str, ...], style: str) -> tuple[str, ...]:
        """`words` with {link}, {host}, {port} and {baud} filled in."""
        values = {
            "{link}": self._link(style),
            "{host}": LOOPBACK,
            "{port}": str(self.path or self._told_port()),
            "{baud}": str(SERIAL_BAUD),
        }
        filled = []
        for word in words:
            for placeholder, value in values.items():
                word = word.replace(placeholder, value)  # noqa: PLW2901 - each placeholder in turn
            filled.append(word)
        return tuple(filled)

    def mask(self, output: bytes) -> bytes:
        """The script's output without the addresses that may differ between equal flights."""
        says = [str(self.path)] if self.path else [str(port) for port in (self.port, self.hub_port) if port]
        for address in says:
            output = output.replace(address.encode(), b"{port}")
        return output

    def _link(self, style: str) -> str:
        if self.path is not None:
            return f"serial://{self.path}?baud={SERIAL_BAUD}" if style == "url" else str(self.path)
        address = f"{LOOPBACK}:{self._told_port()}"
        if style == "host-port":
            return address
        listens = self.script_listens
        if style == "url":
            return f"{self.transport}{'-listen' if listens else ''}://{address}"
        if self.transport == "tcp":
            return f"tcp:{address}"
        return f"{'udpin' if listens else 'udpout'}:{address}"

    def held(self) -> ModelledPort:
        """The hub's side for a script in lockstep."""
        if self.path is not None:
            return HeldPtyPort(FrameReader(), path=self.path)
        if self.transport == "tcp":
            return HeldTcpPort(FrameReader(), port=self.port, script_port=self.script_port)
        return HeldUdpPort(
            FrameReader(),
            script_listens=self.script_listens,
            port=self.port,
            hub_port=self.hub_port,
            script_port=self.script_port,
        )

    def _told_port(self) -> int:
        return self.port if self.script_port is None else self.script_port

    def paced_url(self) -> str:
        """The hub's side for a script in wall time, as a link."""
        if self.path is not None:
            return f"pty://{self.path}"
        side = "" if self.script_listens else "-listen"
        return f"{self.transport}{side}://{LOOPBACK}:{self.port}"


def wire_held(script: Script, folder: Path) -> tuple[ScriptPort, ModelledPort]:
    """The port of a script in lockstep, with the hub's side of it; a serial port's path lies in `folder`.

    A fixed port of the script's own is led to a free one, so that several flights of it can run side by side. Raises
    LinkProblem when none is free.
    """
    if script.link.transport == "serial" and not (script.listens or script.dials):
        serial = _serial_port(folder)
        return serial, serial.held()
    transport, listens, own = _transport(script)
    for port in PORT_PAIRS:
        chosen = ScriptPort(transport, listens, port, script_port=own, hub_port=port + 1 if listens else port)
        held = chosen.held()
        try:
            ports.check_free(f"{transport}-listen://{LOOPBACK}:{port}")
            held.open()  # the hub's port is what keeps the pair from flights started beside this one
        except LinkProblem:
            continue
        return chosen, held
    raise LinkProblem(
        f"no free port for the script between {PORT_PAIRS.start} and {PORT_PAIRS.stop} on {LOOPBACK}",
        "End programs that hold them",
    )


def wire_paced(script: Script, folder: Path, clock: Clock) -> tuple[ScriptPort, Endpoint]:
    """The port of a script in wall time, with the hub's side of it; a serial port's path lies in `folder`.

    Raises LinkProblem when the script's own port is taken by another program.
    """
    chosen = choose_paced(script, folder)
    return chosen, make_endpoint(chosen.paced_url(), clock, name="script")


def choose_paced(script: Script, folder: Path) -> ScriptPort:
    """The port of a script in wall time, for whoever has the hub; raises as `wire_paced` does."""
    transport, listens, own = _transport(script)
    if transport == "serial":
        return _serial_port(folder)
    if own is not None:
        ports.check_free(f"{transport}-listen://{LOOPBACK}:{own}")
        return ScriptPort(transport, listens, own)
    free = ports.free_tcp_port() if transport == "tcp" else ports.free_udp_port()
    return ScriptPort(transport, listens, free)


def _transport(script: Script) -> tuple[str, bool, int | None]:
    """The transport, whether the script listens (over TCP it always dials), and a fixed port of its own."""
    if own := script.listens or script.dials:
        url = parse(own)
        return url.kind.removesuffix("-listen"), script.listens is not None, url.port
    link = script.link
    return link.transport, link.transport == "udp" and link.side == "listens", None


def _serial_port(folder: Path) -> ScriptPort:
    """Absolute: the script runs in its own folder, and `folder` is named from ours."""
    return ScriptPort("serial", script_listens=False, port=0, path=folder.absolute() / "tty")
