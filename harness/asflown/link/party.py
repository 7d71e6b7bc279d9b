"""Who is at the hub: ports as they were attached, and the parties that frames come from and go to.

A port at which several may be (a UDP or TCP port of ours) has a party for each that is there; every other port is
one party. Counts belong to the port, so that they outlive the parties.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Literal

from asflown.errors import HarnessFault
from asflown.link import wire
from asflown.link.base import Endpoint
from asflown.link.routes import Routes
from asflown.link.sequences import SequenceWatch
from asflown.link.signing import Signing, SigningCounts, Standing

Role = Literal["script", "station", "pilot"]
Access = Literal["full", "read-only", "key-to-speak", "key-to-hear"]
"""What a party may do.

`full`: hear and speak. `read-only`: it hears everything that has no address, and what it says goes nowhere.
`key-to-speak`: what it says goes on when it is signed with the hub's key. `key-to-hear`: it hears nothing either
before it has said something that was.
"""

RADIO_STATUS = 109
"""Customarily let through unsigned: it comes from the radio, which has no key."""


@dataclass(slots=True)
class PartyCounts:
    """What the hub counts of a port, beside the traffic that its endpoint counts."""

    frames_missing: int = 0
    """Gaps in the sequence numbers of who was heard there."""
    frames_returned: int = 0
    """Copies of frames that were here before, by way of a circle: dropped."""
    frames_withheld: int = 0
    """Heard after the role was cut off, or from somebody who may not speak: not passed on."""
    frames_secret: int = 0
    """SETUP_SIGNING: neither recorded nor passed on."""
    frames_unroutable: int = 0
    """For a system or component that nobody has heard of."""


@dataclass(slots=True)
class Port:
    """An endpoint as it was attached."""

    endpoint: Endpoint
    role: Role
    access: Access
    counts: PartyCounts = field(default_factory=PartyCounts)
    signing: SigningCounts = field(default_factory=SigningCounts)

    def counters(self, *, with_signing: bool) -> dict[str, int]:
        """Of the endpoint and of the hub."""
        counted = {**self.endpoint.counters(), **as_counters(self.counts)}
        if with_signing:
            counted |= {f"signing.{key}": count for key, count in as_counters(self.signing).items()}
        return counted


def as_counters(counts: PartyCounts | SigningCounts) -> dict[str, int]:
    """Counts by their names, in their order."""
    return {each.name: getattr(counts, each.name) for each in fields(counts)}


class Party:
    """One who speaks and listens at a port."""

    __slots__ = ("endpoint", "has_shown_key", "number", "port", "routes", "sequences")

    def __init__(self, endpoint: Endpoint, port: Port, number: int) -> None:
        """`number` is from 1 on and used for no other party of the hub."""
        self.endpoint, self.port, self.number = endpoint, port, number
        self.routes = Routes()
        self.sequences = SequenceWatch()
        self.has_shown_key = False

    @property
    def hears(self) -> bool:
        """Whether it is given anything."""
        return self.has_shown_key or self.port.access != "key-to-hear"

    def may_say(self, frame: bytes, signing: Signing | None) -> bool:
        """Whether a frame of this party may go on; to be asked once for each frame, since it is counted by that."""
        access = self.port.access
        genuine = signing is not None and self._is_genuine(frame, signing)
        if access == "full":
            return True
        if access == "read-only":
            return False
        if signing is None:
            raise HarnessFault(f"{self.endpoint.name} needs a key, and the hub has none")
        return genuine or is_radio_status(frame)

    def _is_genuine(self, frame: bytes, signing: Signing) -> bool:
        standing = signing.check(frame)
        self.port.signing.note(standing)
        genuine = standing is Standing.GENUINE
        self.has_shown_key = self.has_shown_key or genuine
        return genuine


def is_radio_status(frame: bytes) -> bool:
    """Whether it is RADIO_STATUS, in either version."""
    return wire.message_id(frame) == RADIO_STATUS
