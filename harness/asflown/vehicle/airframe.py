"""A real vehicle at the end of a link: who it is, what it is asked to send, and what its parameters are.

The keeper has its port. Nothing is written to the vehicle but how often messages come, and that is put back.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from asflown.errors import FlightError, VehicleProblem
from asflown.link.budget import BITS_PER_BYTE
from asflown.link.profile import load_profile
from asflown.record.manifest import VehicleRecord
from asflown.scenario.model import VehicleFile
from asflown.scenario.parameter_file import read_parameters
from asflown.url import Url
from asflown.vehicle.base import nothing_heard
from asflown.vehicle.conversation import Conversation
from asflown.vehicle.identity import HEARTBEAT_WITHIN_S, differences, identify
from asflown.vehicle.intervals import Intervals


class Airframe:
    """What the conductor knows of a vehicle that a keeper has; also of one on a bench."""

    lockstep = False
    heartbeat_within_s = HEARTBEAT_WITHIN_S

    def __init__(
        self,
        file: VehicleFile,
        url: Url,
        conversation: Conversation,
        trouble: Callable[[], FlightError | None],
    ) -> None:
        """`url` is its link, baud rate and all; `trouble` tells why it cannot be flown any more, if so."""
        self._file, self._url, self._conversation, self._trouble = file, url, conversation, trouble
        self._facts: dict[str, Any] = {"link": str(url)}
        self._intervals = Intervals(conversation)
        self.parameters: dict[str, float | None] = {}
        """Those that the file expects, as read."""

    async def identify(self) -> None:
        """Looks who it is. Raises VehicleProblem when it is not the vehicle of the file."""
        found = await identify(self._conversation, self._file)
        self._facts |= found.facts()
        wrong = differences(found, self._file)
        if wrong:
            raise VehicleProblem(
                f"this is not vehicle {self._file.name}: {'; '.join(wrong)}",
                "Look which craft is switched on, or correct `identity` in the vehicle file",
            )

    async def read_parameters(self) -> None:
        """Reads the expected parameters by name, and no others."""
        if self._file.parameters.expect is None:
            return
        for name in read_parameters(Path(self._file.parameters.expect)):
            self.parameters[name] = await self._conversation.parameter(name)
        unknown = [name for name, value in self.parameters.items() if value is None]
        if unknown:
            self._facts["parameters_unknown"] = unknown

    async def ask_for_messages(self) -> None:
        """Asks for what grading and guard need, as far as the radio carries it."""
        await self._intervals.ask(self._file.intervals, radio_bytes_per_s(self._file, self._url))
        self._facts["intervals_us"] = dict(self._intervals.asked_us)
        if self._intervals.refused:
            self._facts["intervals_refused"] = list(self._intervals.refused)

    async def give_back(self) -> None:
        """Puts message intervals back as they were."""
        failed = await self._intervals.restore()
        if failed:
            self._facts["intervals_not_restored"] = failed

    def record(self) -> VehicleRecord:
        """What the manifest says of it."""
        text = "\n".join(f"{name}={value!r}" for name, value in self.parameters.items())
        return VehicleRecord(
            name=self._file.name,
            kind=self._file.kind,
            release=self._facts.get("version"),
            parameters_sha256=hashlib.sha256(text.encode()).hexdigest() if text else None,
            parameters={name: value for name, value in self.parameters.items() if value is not None},
            identity=self._file.identity.model_dump(mode="json", exclude_unset=True),
            facts=self._facts,
        )

    def start(self) -> None:
        """Somebody else has powered it up."""

    def check(self) -> bool:
        """Whether it can still be flown. Raises what is wrong."""
        trouble = self._trouble()
        if trouble is not None:
            raise trouble
        return True

    def unheard(self) -> VehicleProblem:
        """What to say when no heartbeat came."""
        return nothing_heard(self.heartbeat_within_s)

    def drain_truth(self) -> bytes:
        """Nobody knows."""
        return b""

    def drain_state(self) -> bytes:
        """Nobody knows."""
        return b""

    def work_ahead(self, quiet_until_us: int) -> bool:
        """Its work is its own."""
        return False

    def stop(self) -> None:
        """It stays powered: that is its operator's affair."""


def radio_bytes_per_s(file: VehicleFile, url: Url) -> float | None:
    """What its link carries downwards; None where nothing bounds it."""
    rates = [url.baud / BITS_PER_BYTE] if url.kind == "serial" and url.baud else []
    if file.radio is not None and (lane := load_profile(file.radio).down_lane).rate_bytes_per_s is not None:
        rates.append(float(lane.rate_bytes_per_s))
    return min(rates) if rates else None
