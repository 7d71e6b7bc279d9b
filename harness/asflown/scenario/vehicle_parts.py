"""Parts of a vehicle file for vehicles outside this process: containers, benches and airframes.

Values are SI. Names of messages, modes and parameters are the firmware's own facts, given by its user.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from asflown.scenario.base import Command, Model
from asflown.units import Duration, Length, Share, Size, Voltage

ContainerPort = Annotated[
    str, Field(pattern=r"^[1-9][0-9]{0,4}/(udp|tcp)$", description="a port in the container, as `14560/udp`")
]
ContainerPath = Annotated[
    str, Field(pattern=r"^/[^:]*[^:/]$", description="a whole path in the container, as `/var/log`")
]


class Volume(Model):
    """A file or folder of this machine that the container can read and not write."""

    from_: str = Field(validation_alias="from", min_length=1)
    """Relative to the vehicle file; absolute once it is read."""
    to: ContainerPath


class ContainerLimits(Model):
    """What a container may use at most; `processes` counts threads, too."""

    memory_bytes: Size = Field(default=1e9, validation_alias="memory", ge=6e6)
    """Main memory."""
    cpus: float = Field(default=2.0, gt=0)
    """Processors, `0.5` for half of one."""
    processes: int = Field(default=256, ge=1)
    """Processes and threads."""


class Container(Model):
    """A simulated vehicle in a container of its own: one image, one MAVLink port that the container opens."""

    image: str | None = Field(default=None, min_length=1)
    """A name or digest that the engine knows. Nothing is fetched from anywhere."""
    build: str | None = Field(default=None, min_length=1)
    """Instead: a folder with a Dockerfile, relative to the vehicle file; absolute once it is read."""
    port: ContainerPort
    """Where it listens for MAVLink, inside."""
    reach: Literal["address", "published"] = "address"
    """`address`: the container's own, on an internal network. `published`: a port on 127.0.0.1 of this machine."""
    command: tuple[str, ...] = ()
    """Instead of the image's own. Here and in `environment`, {seed}, {latitude} ... are filled in."""
    environment: dict[str, str] = Field(default_factory=dict)
    """Variables of its environment."""
    volumes: tuple[Volume, ...] = ()
    """What it can read of this machine."""
    writes: dict[ContainerPath, Size] = Field(default_factory=dict)
    """Folders it may write to, kept in memory, with their size; all else is read-only."""
    limits: ContainerLimits = ContainerLimits()
    """What it may use at most."""
    ready_within_s: Duration = Field(default=60.0, validation_alias="ready_within", gt=0)
    """How long it may take until its health check passes, if it has one, and it speaks MAVLink."""
    rate: Literal["wall", "vehicle"] = "wall"
    """`vehicle`: it may run faster than wall time, and the flight's clock and the script's follow what it reports."""


class Battery(Model):
    """What the battery must have before a flight; what is not given is not asked for."""

    voltage_v: Voltage | None = Field(default=None, validation_alias="voltage", gt=0)
    """At least, of the whole battery."""
    share: Share | None = Field(default=None, ge=0, le=1)
    """At least, of the charge."""


class ReturnHeight(Model):
    """The parameter that says how high the vehicle comes home, and what 1 of it is."""

    parameter: str = Field(min_length=1, max_length=16)
    """Its name."""
    unit_m: Length = Field(default=1.0, validation_alias="unit", gt=0)
    """The length that 1 of it stands for: `1 cm`."""


class LinkLoss(Model):
    """The parameter that says what the vehicle does when its link is gone, and the values that are safe."""

    parameter: str = Field(min_length=1, max_length=16)
    """Its name."""
    safe: tuple[float, ...] = Field(min_length=1)
    """Values that bring the vehicle down, or back."""


class Preflight(Model):
    """What preflight looks at before a real vehicle flies."""

    battery: Battery = Battery()
    """What the battery must have."""
    return_height: ReturnHeight | None = None
    """Which parameter is looked at, so that the way home stays below the ceiling of the guard."""
    link_loss: LinkLoss | None = None
    """Which parameter is looked at, so that the vehicle looks after itself when the link is gone."""
    fence: Literal["required", "none"] = "required"
    """`none`: this firmware has no fence; preflight then says so instead of asking for it."""


class Firmware(Model):
    """Which one craft this is, as its AUTOPILOT_VERSION says; what is not given is not compared."""

    version: str | None = Field(default=None, pattern=r"^[0-9]+\.[0-9]+\.[0-9]+$")
    """Of the firmware, as `1.4.2`."""
    hardware: str | None = Field(default=None, pattern=r"^[0-9a-f]{1,36}$")
    """Its unique number, in hexadecimal: `uid2`, or `uid` where the firmware has no `uid2`."""
    vendor: int | None = Field(default=None, ge=0, le=65535)
    """Number of the maker of the board."""
    product: int | None = Field(default=None, ge=0, le=65535)
    """Number of the board."""


Interlock = Command
"""A command that ends with 0 only while nothing on the bench can turn."""
