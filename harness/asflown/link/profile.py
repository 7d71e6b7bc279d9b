"""Radio profiles: what an emulated radio does to frames, from a YAML file.

A file says `both` for the two directions alike, or `up` and `down` apart; every number with a dimension carries its
unit. The profiles that come with asflown are read by their names.

A radio is full-duplex unless `half_duplex` says otherwise, and silent about itself unless `status` says how often.
"""

from __future__ import annotations

import difflib
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo
from pydantic_core import PydanticCustomError

from asflown import units
from asflown.errors import FileProblem, Position, UsageError
from asflown.scenario.reading import plain_mapping, validated
from asflown.scenario.yaml_tree import read_tree

_SUFFIX = ".yaml"


def _whole_number_of(symbol: str, least: int, most: int) -> BeforeValidator:
    def read(value: Any, info: ValidationInfo) -> Any:
        if isinstance(value, int) and not (info.context or {}).get("from_file"):
            return value
        number, unit = units.split_quantity(str(value)) or ("", "")
        if unit != symbol or not number.isdecimal() or not least <= int(number) <= most:
            told = {
                "fault": f"is not a whole number of {symbol} from {least} to {most}",
                "remedy": f"Write it like `1000 {symbol}`",
            }
            raise PydanticCustomError("quantity", "{fault}. {remedy}", told)
        return int(number)

    return BeforeValidator(read)


ByteCount = Annotated[int, _whole_number_of("B", 0, 10_000_000)]
ByteRate = Annotated[int, _whole_number_of("B/s", 10, 1_000_000_000)]


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class LossProfile(_Model):
    """Loss by the model of Gilbert and Elliott: probabilities for one frame."""

    good_to_bad: units.Share = Field(default=0.0, ge=0, le=1)
    bad_to_good: units.Share = Field(default=1.0, gt=0, le=1)
    in_good: units.Share = Field(default=0.0, ge=0, le=1)
    in_bad: units.Share = Field(default=1.0, ge=0, le=1)


class LaneProfile(_Model):
    """One direction. What is left out does not limit or disturb."""

    rate_bytes_per_s: ByteRate | None = Field(default=None, validation_alias="rate")
    """Bytes a second on the air, overhead included; None for no limit."""
    burst_bytes: ByteCount = Field(default=0, validation_alias="burst")
    """How much may leave at once after a pause (the depth of a token bucket); 0 for a serial line."""
    overhead_bytes: ByteCount = Field(default=0, validation_alias="overhead")
    """Added to each frame on the air."""
    buffer_bytes: ByteCount | None = Field(default=None, validation_alias="buffer")
    """What may wait to be sent, overhead included; a frame for which there is no room is dropped."""
    latency_s: units.Duration = Field(default=0.0, validation_alias="latency", ge=0, le=60)
    """From the last byte sent to the frame received."""
    jitter_s: units.Duration = Field(default=0.0, validation_alias="jitter", ge=0, le=60)
    """Added to the latency of each frame: uniform from 0 to this. Frames stay in order."""
    loss: LossProfile = LossProfile()
    bit_errors: units.Share = Field(default=0.0, ge=0, le=0.01)
    """The probability that a bit flips on the air, which the frame's checksum then finds."""

    @property
    def transparent(self) -> bool:
        """Whether frames come out at once and unharmed."""
        return self == LaneProfile()


class HalfDuplexProfile(_Model):
    """One air for both directions."""

    turn_around_s: units.Duration = Field(default=0.0, validation_alias="turn_around", ge=0, le=10)
    """How long nobody sends when the direction changes."""
    window_s: units.Duration = Field(default=0.02, validation_alias="window", ge=0, le=10)
    """How long a side may go on sending while the other waits; a frame that has begun is finished."""


class StatusProfile(_Model):
    """RADIO_STATUS, which each radio says to its own side. Strengths are in the radio's own units."""

    every_s: units.Duration = Field(default=1.0, validation_alias="every", ge=0.01, le=3600)
    rssi: Annotated[int, Field(ge=0, le=254)] = 190
    noise: Annotated[int, Field(ge=0, le=254)] = 40
    fade: Annotated[int, Field(ge=0, le=254)] = 60
    """How much weaker the signal is while the channel is in its bad state."""


class RadioProfile(_Model):
    """What a radio does: `up` is from the ground to the vehicle, `both` stands for up and down alike."""

    asflown: Literal[1] = 1
    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]*$", description="small letters, digits and dashes")
    summary: str = ""
    both: LaneProfile | None = None
    up: LaneProfile | None = None
    down: LaneProfile | None = None
    half_duplex: HalfDuplexProfile | None = None
    status: StatusProfile | None = None

    @property
    def up_lane(self) -> LaneProfile:
        """What happens to frames on their way to the vehicle."""
        return self.up or self.both or LaneProfile()

    @property
    def down_lane(self) -> LaneProfile:
        """What happens to frames of the vehicle."""
        return self.down or self.both or LaneProfile()


def profile_names() -> tuple[str, ...]:
    """The names of the profiles that come with asflown, in alphabetical order."""
    files = resources.files("asflown.link").joinpath("profiles").iterdir()
    return tuple(sorted(file.name.removesuffix(_SUFFIX) for file in files if file.name.endswith(_SUFFIX)))


def load_profile(name_or_path: str) -> RadioProfile:
    """The profile of that name, or in the file at that path (anything with a slash or ending in .yaml).

    Raises UsageError when there is none, FileProblem (FileProblems for several) for what is wrong in it.
    """
    if "/" in name_or_path or name_or_path.endswith(_SUFFIX):
        return read_profile(Path(name_or_path))
    known = profile_names()
    if name_or_path not in known:
        near = difflib.get_close_matches(name_or_path, known, n=1)
        meant = f"Did you mean {near[0]}? " if near else ""
        raise UsageError(
            f"there is no radio profile {name_or_path!r}",
            f"{meant}The profiles are {', '.join(known)}; or give the path of a {_SUFFIX} file",
        )
    with resources.as_file(
        resources.files("asflown.link").joinpath("profiles", name_or_path + _SUFFIX)
    ) as file:
        return read_profile(file)


def read_profile(file: Path) -> RadioProfile:
    """The profile in `file`; raises as `load_profile` does."""
    root = read_tree(file)
    profile = validated(RadioProfile, plain_mapping(root), root)
    for key in ("up", "down"):
        if key in root.entries and "both" in root.entries:
            raise FileProblem(
                root.key_positions[key], f"`{key}` beside `both`", "Write `both`, or `up` and `down`"
            )
    if profile.half_duplex is not None:
        _check_shared(profile, root.key_positions["half_duplex"])
    return profile


def _check_shared(profile: RadioProfile, where: Position) -> None:
    for lane in (profile.up_lane, profile.down_lane):
        if lane.rate_bytes_per_s is None:
            raise FileProblem(where, "`half_duplex` without a rate", "Give both directions their `rate`")
        if lane.burst_bytes:
            raise FileProblem(where, "`half_duplex` beside `burst`", "Take one of them out")
