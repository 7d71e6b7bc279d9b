"""Who is at the hub at any moment: ports come and go, and so do the parties at those that several may use."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from asflown.errors import HarnessFault
from asflown.link.base import Endpoint, Gathering
from asflown.link.party import Access, Party, Port, Role


class Roster:
    """Ports in the order in which they were attached, parties in the order in which they came.

    `listeners` are the parties that are given what has no address.
    """

    def __init__(
        self, vehicle_name: str, heard: Callable[[Party, bytes], None], left: Callable[[Party], None]
    ) -> None:
        """`heard` is called with every frame of a party, `left` when a party is gone."""
        self._vehicle_name, self._heard, self._left = vehicle_name, heard, left
        self.ports: list[Port] = []
        self.parties: list[Party] = []
        self.listeners: tuple[Party, ...] = ()
        self._numbers = 0
        self._opened = False

    def attach(self, endpoint: Endpoint, role: Role, access: Access) -> None:
        """Adds a port, and opens it when the others are open. Raises LinkProblem when it cannot be opened."""
        names = (self._vehicle_name, *(port.endpoint.name for port in self.ports))
        if endpoint.name in names:
            raise HarnessFault(f"two endpoints of one hub are named {endpoint.name!r}")
        port = Port(endpoint, role, access)
        if isinstance(endpoint, Gathering):
            endpoint.on_arrival = partial(self._welcome, port)
            endpoint.on_departure = self._leave
        else:
            self._welcome(port, endpoint)
        self.ports.append(port)
        if self._opened:
            self._open(port)

    def detach(self, endpoint: Endpoint) -> None:
        """Closes a port's endpoint and forgets it, with its counters."""
        for port in [port for port in self.ports if port.endpoint is endpoint]:
            self.ports.remove(port)
            endpoint.close()
            for party in [party for party in self.parties if party.port is port]:
                self._leave(party.endpoint)

    def open(self) -> None:
        """Opens every port, and from now on those that are attached. Raises LinkProblem."""
        self._opened = True
        for port in self.ports:
            port.endpoint.open()

    def close(self) -> None:
        """Closes every port; they stay listed, for their counters."""
        for port in self.ports:
            port.endpoint.close()

    def note_hearing(self) -> None:
        """Somebody may be given frames from now on."""
        self.listeners = tuple(party for party in self.parties if party.hears)

    def _open(self, port: Port) -> None:
        try:
            port.endpoint.open()
        except BaseException:
            self.ports.remove(port)
            self._leave(port.endpoint)
            raise

    def _welcome(self, port: Port, endpoint: Endpoint) -> None:
        self._numbers += 1
        party = Party(endpoint, port, self._numbers)
        endpoint.on_frame = partial(self._heard, party)
        self.parties.append(party)
        self.note_hearing()

    def _leave(self, endpoint: Endpoint) -> None:
        for party in [party for party in self.parties if party.endpoint is endpoint]:
            self.parties.remove(party)
            self.note_hearing()
            self._left(party)
