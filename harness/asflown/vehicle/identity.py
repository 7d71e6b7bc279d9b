"""Who is at the other end of a real link: compared with the vehicle file, so that nobody flies the wrong craft."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from asflown.errors import VehicleProblem
from asflown.scenario.model import VehicleFile
from asflown.vehicle.base import nothing_heard
from asflown.vehicle.conversation import Conversation

HEARTBEAT_WITHIN_S = 10.0
OTHERS_WITHIN_S = 1.5
"""A heartbeat comes once a second: long enough to hear who else is there."""


@dataclass(frozen=True, slots=True)
class Identification:
    """What the autopilot says of itself; None where it does not say."""

    system: int
    component: int
    autopilot: int
    vehicle_type: int
    version: str | None = None
    hardware: str | None = None
    vendor: int | None = None
    product: int | None = None

    def facts(self) -> dict[str, Any]:
        """For the manifest."""
        return {name: value for name, value in asdict(self).items() if value is not None}


async def identify(conversation: Conversation, file: VehicleFile) -> Identification:
    """Who is there. Raises VehicleProblem when nobody is, or another system than the file's."""
    wanted = conversation.system, conversation.component
    heartbeats = conversation.heartbeats
    if not await conversation.until(lambda: bool(heartbeats), HEARTBEAT_WITHIN_S):
        raise nothing_heard(HEARTBEAT_WITHIN_S)
    if not await conversation.until(lambda: wanted in heartbeats, OTHERS_WITHIN_S):
        there = ", ".join(
            f"system {system} component {component}" for system, component in sorted(heartbeats)
        )
        raise VehicleProblem(
            f"vehicle {file.name} is system {wanted[0]} component {wanted[1]}, and on its link there is {there}",
            "Look which craft is switched on, or change `system` and `component` in the vehicle file",
        )
    heartbeat = heartbeats[wanted]
    version = await conversation.request("AUTOPILOT_VERSION")
    known = {} if version is None else _of_version(version)
    return Identification(*wanted, int(heartbeat.autopilot), int(heartbeat.type), **known)


def differences(found: Identification, file: VehicleFile) -> list[str]:
    """What is not as the vehicle file has it, each as one clause."""
    identity, firmware = file.identity, file.identity.firmware
    compared = (
        ("autopilot", identity.autopilot, found.autopilot),
        ("vehicle type", identity.vehicle_type, found.vehicle_type),
        ("firmware version", firmware.version, found.version),
        ("hardware number", firmware.hardware, found.hardware),
        ("vendor", firmware.vendor, found.vendor),
        ("product", firmware.product, found.product),
    )
    return [
        f"{name} is {'not said' if there is None else there}, the vehicle file has {wanted}"
        for name, wanted, there in compared
        if wanted is not None and wanted != there
    ]


def _of_version(message: Any) -> dict[str, Any]:
    packed = int(message.flight_sw_version)
    long_number = bytes(message.uid2)
    hardware = long_number.hex() if any(long_number) else f"{int(message.uid):x}" if message.uid else None
    return {
        "version": f"{packed >> 24 & 255}.{packed >> 16 & 255}.{packed >> 8 & 255}" if packed else None,
        "hardware": hardware,
        "vendor": int(message.vendor_id) or None,
        "product": int(message.product_id) or None,
    }
