"""From a URL to the endpoint of its kind."""

from __future__ import annotations

from asflown.clock.base import Clock
from asflown.link.base import Endpoint
from asflown.link.pty import PtyEndpoint
from asflown.link.serial_port import SerialEndpoint
from asflown.link.tcp import TcpEndpoint, TcpListenEndpoint
from asflown.link.udp import UdpEndpoint, UdpListenEndpoint
from asflown.url import Kind, Url, parse

_CLASSES: dict[
    Kind,
    type[UdpEndpoint | UdpListenEndpoint | TcpEndpoint | TcpListenEndpoint | SerialEndpoint | PtyEndpoint],
] = {
    "udp": UdpEndpoint,
    "udp-listen": UdpListenEndpoint,
    "tcp": TcpEndpoint,
    "tcp-listen": TcpListenEndpoint,
    "serial": SerialEndpoint,
    "pty": PtyEndpoint,
}


def make_endpoint(url: str | Url, clock: Clock, *, name: str) -> Endpoint:
    """The endpoint for `url`, not opened yet. Raises UsageError when the URL is not one."""
    place = url if isinstance(url, Url) else parse(url)
    return _CLASSES[place.kind](place, clock, name)
