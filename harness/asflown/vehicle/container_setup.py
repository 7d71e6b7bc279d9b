"""From a vehicle file to how its container is made: what it may use, write, and reach.

Every container has no capabilities, gains no privileges, a read-only root, a bounded share of the machine, and a
network of its own from which nothing outside can be reached.
"""

from __future__ import annotations

import math
from typing import Any

from docker.models.images import Image
from docker.types import LogConfig, Mount

from asflown.scenario.model import Conditions, Start
from asflown.scenario.vehicle_parts import Container
from asflown.url import LOOPBACK

DECLARED_WRITES_BYTES = 64_000_000
"""Size of a folder that the image declares as a volume and the vehicle file says nothing of."""
LOG_BYTES_MAX = 16_000_000


def filled(text: str, start: Start, conditions: Conditions, seed: int) -> str:
    """`text` with {seed}, {latitude} and the others filled in: degrees, metres, metres a second, a share."""
    (latitude_deg, longitude_deg, altitude_m), wind = start.stands_at(), conditions.wind
    values: dict[str, object] = {
        "seed": seed,
        "latitude": latitude_deg,
        "longitude": longitude_deg,
        "altitude": altitude_m,
        "heading": round(math.degrees(start.heading_rad), 6),
        "battery": start.battery,
        "wind_speed": wind.speed_m_s,
        "wind_from": round(math.degrees(wind.from_rad), 6),
        "turbulence": wind.turbulence,
    }
    for name, value in values.items():
        text = text.replace(f"{{{name}}}", f"{value:g}" if isinstance(value, float) else str(value))
    return text


def writable(container: Container, image: Image) -> dict[str, str]:
    """Folders in memory, as the engine wants them: those of the file, and those that the image declares."""
    sizes = dict.fromkeys(_declared(image), float(DECLARED_WRITES_BYTES)) | container.writes
    return {path: f"size={round(size)},mode=1777,nosuid,nodev" for path, size in sizes.items()}


def _declared(image: Image) -> list[str]:
    return sorted((image.attrs.get("Config") or {}).get("Volumes") or {})


def creation(container: Container, image: Image, network: str) -> dict[str, Any]:
    """What the engine is told beside name, command and labels."""
    limits = container.limits
    published = {"ports": {container.port: (LOOPBACK, 0)}} if container.reach == "published" else {}
    return {
        "network": network,
        "cap_drop": ["ALL"],
        "security_opt": ["no-new-privileges:true"],
        "read_only": True,
        "tmpfs": writable(container, image),
        "mounts": [Mount(v.to, v.from_, type="bind", read_only=True) for v in container.volumes],
        "mem_limit": round(limits.memory_bytes),
        "memswap_limit": round(limits.memory_bytes),
        "nano_cpus": round(limits.cpus * 1e9),
        "pids_limit": limits.processes,
        "log_config": LogConfig(
            type=LogConfig.types.JSON, config={"max-size": str(LOG_BYTES_MAX), "max-file": "1"}
        ),
        **published,
    }


def network_options(container: Container) -> dict[str, Any]:
    """An internal network where the container's address is used; else one whose traffic nobody carries outside."""
    if container.reach == "address":
        return {"driver": "bridge", "internal": True}
    return {"driver": "bridge", "options": {"com.docker.network.bridge.enable_ip_masquerade": "false"}}
