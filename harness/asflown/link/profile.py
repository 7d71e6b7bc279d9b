"""Radio profiles: what an emulated radio does to frames, from a YAML file.

A file says the same for both directions, or `up` and `down` apart, and every number with a dimension carries its
unit. The profiles that come with asflown are read by their names.

Half-duplex turn-around, bit errors and RADIO_STATUS have no keys yet: a file that asks for them is refused.
"""

from __future__ import annotations

import difflib
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

import yaml
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    model_validator,
)
from pydantic_core import PydanticCustomError

from asflown import units
from asflown.errors import UsageError

_LARGEST_FILE_BYTES = 65_536
_SUFFIX = ".yaml"


def _whole_number_of(symbol: str) -> BeforeValidator:
    def read(value: Any, info: ValidationInfo) -> Any:
        if isinstance(value, int) and not (info.context or {}).get("from_file"):
            return value
        number, unit = units.split_quantity(str(value)) or ("", "")
        if unit != symbol or not number.isdecimal():
            context = {"value": str(value), "symbol": symbol}
            raise PydanticCustomError(
                "bytes", "`{value}` is not a whole number of {symbol}. Write it like `1000 {symbol}`", context
            )
        return int(number)

    return BeforeValidator(read)


ByteCount = Annotated[int, _whole_number_of("B"), Field(ge=0, le=10_000_000)]
ByteRate = Annotated[int, _whole_number_of("B/s"), Field(ge=10, le=1_000_000_000)]


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

    @property
    def transparent(self) -> bool:
        """Whether frames come out at once and unharmed."""
        return self == LaneProfile()


class RadioProfile(_Model):
    """What a radio does in both directions."""

    asflown: Literal[1] = 1
    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]*$")
    summary: str = ""
    up: LaneProfile = LaneProfile()
    """From the ground to the vehicle."""
    down: LaneProfile = LaneProfile()

    @model_validator(mode="before")
    @classmethod
    def _spread(cls, data: Any) -> Any:
        """`both` stands for `up` and `down` alike."""
        if not isinstance(data, dict) or "both" not in data:
            return data
        if "up" in data or "down" in data:
            raise PydanticCustomError("both", "`both` excludes `up` and `down`. Write one or the other")
        rest = {key: value for key, value in data.items() if key != "both"}
        return {**rest, "up": data["both"], "down": data["both"]}


def profile_names() -> tuple[str, ...]:
    """The names of the profiles that come with asflown, in alphabetical order."""
    files = resources.files("asflown.link").joinpath("profiles").iterdir()
    return tuple(sorted(file.name.removesuffix(_SUFFIX) for file in files if file.name.endswith(_SUFFIX)))


def load_profile(name_or_path: str) -> RadioProfile:
    """The profile of that name, or in the file at that path (anything with a slash or ending in .yaml).

    Raises UsageError: no such name or file, or what is wrong in it.
    """
    if "/" in name_or_path or name_or_path.endswith(_SUFFIX):
        return _read(Path(name_or_path))
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
        return _read(file)


def _read(path: Path) -> RadioProfile:
    try:
        text = path.read_text(encoding="utf-8")
        if len(text) > _LARGEST_FILE_BYTES:
            raise UsageError(f"radio profile {path} is larger than {_LARGEST_FILE_BYTES} bytes", "Is it one?")
        return RadioProfile.model_validate(yaml.safe_load(text), context=units.FROM_FILE)
    except OSError as error:
        raise UsageError(
            f"radio profile {path} cannot be read: {error.strerror}", "Check the path"
        ) from error
    except (yaml.YAMLError, UnicodeDecodeError, RecursionError) as error:
        raise UsageError(f"radio profile {path} is not YAML: {_one_line(error)}", "Mend the file") from error
    except ValidationError as error:
        raise UsageError(f"radio profile {path}: {_first_fault(error)}", "Mend the file") from error


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())


def _first_fault(error: ValidationError) -> str:
    fault = error.errors(include_url=False)[0]
    key = ".".join(str(part) for part in fault["loc"])
    return f"{key}: {fault['msg']}" if key else fault["msg"]
