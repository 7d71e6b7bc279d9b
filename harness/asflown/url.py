"""The one spelling of places that MAVLink comes from and goes to.

    udp://HOST:PORT             sends to that port, hears its answers
    udp-listen://HOST:PORT      opens the port, answers everybody it has heard
    tcp://HOST:PORT             connects, and connects again when it breaks
    tcp-listen://HOST:PORT      opens the port, takes several clients
    serial:///dev/DEVICE?baud=57600         `baud=auto` where a vehicle is flown: listens for the rate
    pty:///PATH                 makes a pseudo terminal and a link to it at PATH

No other spelling is understood anywhere. A host left out is the loopback address: nothing leaves or enters this
machine unless it is told to. Port 0 is for listening only: the system chooses.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from typing import Literal, get_args

from asflown.errors import UsageError

Kind = Literal["udp", "udp-listen", "tcp", "tcp-listen", "serial", "pty"]

LOOPBACK = "127.0.0.1"

_KINDS: tuple[Kind, ...] = get_args(Kind)
_EXAMPLES: dict[str, str] = {
    "udp": "udp://127.0.0.1:14550",
    "udp-listen": "udp-listen://127.0.0.1:14550",
    "tcp": "tcp://127.0.0.1:5760",
    "tcp-listen": "tcp-listen://127.0.0.1:5760",
    "serial": "serial:///dev/ttyUSB0?baud=57600",
    "pty": "pty:///tmp/vehicle",
}
_LONGEST_PATH = 4096

_SCHEME = re.compile(r"([a-z-]*)://(.*)", re.DOTALL)
_HOST_AND_PORT = re.compile(r"(\[[0-9A-Fa-f:.%a-z]+\]|[A-Za-z0-9._-]*):([0-9]{1,5})")
_DEVICE = re.compile(r"(/[^?#\0]*[^?#\0/])\?baud=([1-9][0-9]{0,7}|auto)")
_PATH = re.compile(r"/[^?#\0]*[^?#\0/]")


@dataclass(frozen=True, slots=True)
class Url:
    """A place, taken apart. `host` and `port` belong to the network kinds, `path` and `baud` to the others.

    A baud rate of 0 is still to be found out (`baud=auto`), which only those can who fly a vehicle.
    """

    kind: Kind
    host: str = ""
    port: int = 0
    path: str = ""
    baud: int = 0

    def __str__(self) -> str:
        if self.kind == "serial":
            return f"serial://{self.path}?baud={self.baud or 'auto'}"
        if self.kind == "pty":
            return f"pty://{self.path}"
        return f"{self.kind}://{self.place}"

    @property
    def place(self) -> str:
        """`host:port`, with brackets about an IPv6 address; the path for the other kinds."""
        if self.path:
            return self.path
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"

    @property
    def listens(self) -> bool:
        """Whether this kind waits for others to speak first."""
        return self.kind in ("udp-listen", "tcp-listen", "pty")


def parse(url: str) -> Url:
    """Takes `url` apart. Raises UsageError saying what is allowed."""
    found = _SCHEME.fullmatch(url)
    if found is None or found[1] not in _KINDS:
        raise _unknown_kind(url, found[1] if found else "")
    kind = next(kind for kind in _KINDS if kind == found[1])
    if kind == "serial":
        return _parse_serial(url, found[2])
    if kind == "pty":
        return _parse_pty(url, found[2])
    return _parse_network(url, kind, found[2])


def _parse_network(url: str, kind: Kind, rest: str) -> Url:
    found = _HOST_AND_PORT.fullmatch(rest)
    if found is None:
        raise _wrong(url, kind, "needs a host and a port after ://, and nothing behind them")
    port = int(found[2])
    if port > 65_535 or (port == 0 and not kind.endswith("-listen")):
        lowest = 0 if kind.endswith("-listen") else 1
        raise _wrong(url, kind, f"has port {port}, and ports go from {lowest} to 65535")
    return Url(kind, host=found[1].strip("[]") or LOOPBACK, port=port)


def _parse_serial(url: str, rest: str) -> Url:
    found = _DEVICE.fullmatch(rest)
    if found is None or len(rest) > _LONGEST_PATH:
        raise _wrong(url, "serial", "needs a device's whole path and its baud rate")
    return Url("serial", path=found[1], baud=0 if found[2] == "auto" else int(found[2]))


def _parse_pty(url: str, rest: str) -> Url:
    if _PATH.fullmatch(rest) is None or len(rest) > _LONGEST_PATH:
        raise _wrong(url, "pty", "needs a whole path for the link to the pseudo terminal")
    return Url("pty", path=rest)


def _wrong(url: str, kind: Kind, problem: str) -> UsageError:
    return UsageError(f"link {url!r} {problem}", f"Write it like {_EXAMPLES[kind]}")


def _unknown_kind(url: str, scheme: str) -> UsageError:
    near = difflib.get_close_matches(scheme, _KINDS, n=1) if scheme else []
    meant = f"Did you mean {_EXAMPLES[near[0]]}? " if near else ""
    kinds = ", ".join(f"{kind}://" for kind in _KINDS)
    return UsageError(f"link {url!r} is of no known kind", f"{meant}The kinds are {kinds}")
