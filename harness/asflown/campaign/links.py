"""A scenario's radio made worse by a known amount, as a profile of its own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml
from pydantic import BaseModel

from asflown.link.profile import LaneProfile, LossProfile, RadioProfile, load_profile
from asflown.report import atomic


def write_link(radio: str, folder: Path, *, delay_s: float = 0.0, lost: float = 0.0) -> str:
    """Writes the profile `radio` with so much more delay, or so many more frames lost one by one, each way.

    Returns its path. Raises what `load_profile` raises, and FolderProblem.
    """
    profile = load_profile(radio)
    name = f"later-{1000 * delay_s:.0f}-ms" if delay_s else f"losing-{100 * lost:.0f}-percent"
    lanes = {
        way: _worse(lane, delay_s, lost)
        for way, lane in (("up", profile.up_lane), ("down", profile.down_lane))
    }
    worse = profile.model_copy(
        update={"name": name, "summary": f"{profile.name}, worse", "both": None, **lanes}
    )
    path = folder.resolve() / f"{name}.yaml"
    atomic.write_text(path, yaml.safe_dump(as_written(worse), sort_keys=False))
    return str(path)


def _worse(lane: LaneProfile, delay_s: float, lost: float) -> LaneProfile:
    """A frame survives both what was there and what is new."""
    old = lane.loss
    loss: LossProfile = old.model_copy(
        update={"in_good": 1 - (1 - old.in_good) * (1 - lost), "in_bad": 1 - (1 - old.in_bad) * (1 - lost)}
    )
    return lane.model_copy(update={"latency_s": lane.latency_s + delay_s, "loss": loss})


def as_written(model: RadioProfile | BaseModel) -> dict[str, Any]:
    """A profile as its file has it, each number with its unit; what is as usual is left out."""
    found: dict[str, Any] = {"asflown": 1} if isinstance(model, RadioProfile) else {}
    for name, field in type(model).model_fields.items():
        value = getattr(model, name)
        if value is not None and value != field.default:
            found[str(field.validation_alias or name)] = _quantity(name, value)
    return found


def _quantity(name: str, value: Any) -> Any:
    if isinstance(value, BaseModel):
        return as_written(value)
    if name.endswith("_bytes_per_s") or name == "rate_bytes_per_s":
        return f"{value} B/s"
    if name.endswith("_bytes"):
        return f"{value} B"
    if name.endswith("_s"):
        return f"{value:.9g} s"
    return f"{100 * value:.9g} %" if isinstance(value, float) else value
