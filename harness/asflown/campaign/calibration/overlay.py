"""The vehicle file that a calibration writes: the built-in airframe with the fitted shares, and where they come from.

A file that was not made here is never written over. Nothing that protects the vehicle is in it or changed by it.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import yaml

from asflown.campaign.calibration.calibrate import Calibration
from asflown.campaign.calibration.fit import Estimate
from asflown.errors import UsageError
from asflown.report import atomic
from asflown.report.visible import visible
from asflown.scenario.model import Identity
from asflown.scenario.vehicle_file import BUILT_IN, SUFFIX

MADE_HERE = "# Made by `asflown vehicle calibrate`"


def check_place(file: Path) -> None:
    """Before anything is fitted. Raises UsageError for a name that is none, or a file that was not made here."""
    if not file.name.endswith(SUFFIX) or file.name == SUFFIX:
        raise UsageError(f"`{file}` is no name of a vehicle file", f"End it with {SUFFIX}")
    if _name(file) in BUILT_IN:
        raise UsageError(f"`{_name(file)}` is built in", "Choose another name")
    try:
        first = file.open(encoding="utf-8", errors="replace").readline()
    except FileNotFoundError:
        first = MADE_HERE
    except OSError as error:
        raise UsageError(f"{file} cannot be read ({error.strerror})", "Choose another name") from error
    if not first.startswith(MADE_HERE):
        raise UsageError(f"{file} is there, and was not made by a calibration", "Choose another name")
    atomic.check_writable(file)


def write_overlay(file: Path, found: Calibration, date: str) -> None:
    """Writes the file. Raises UsageError and FolderProblem as `check_place` and `atomic.write_text` do."""
    check_place(file)
    atomic.write_text(file, overlay(file, found, date))


def overlay(file: Path, found: Calibration, date: str) -> str:
    """Its text; `date` is today's."""
    flown = f", flown {' and '.join(found.flown_on)}" if found.flown_on else ""
    head = [f"{MADE_HERE}, {date}, from", *(f"#   {visible(name)}" for name in found.flights)]
    head[-1] += flown
    head += [f"# {words} (95 % interval {low} to {high})" for words, low, high in _told(found)]
    head += [f"# {line}" for line in _predicted(found)]
    head.append("# Not shown, and as designed or as it was before: " + _kept(found))
    body = yaml.safe_dump(_tree(file, found), sort_keys=False, allow_unicode=True)
    return "\n".join(head) + "\n" + body


def _name(file: Path) -> str:
    return file.name.removesuffix(SUFFIX)


def _tree(file: Path, found: Calibration) -> dict[str, Any]:
    vehicle, shares = found.vehicle, found.shares
    craft = {name: f"{100 * value:.4g} %" for name, value in shares.model_dump().items() if value != 1.0}
    tree: dict[str, Any] = {
        "asflown": 1,
        "name": _name(file),
        "kind": "built-in",
        "airframe": found.airframe,
        "release": vehicle.release,
        "craft": craft,
    }
    if vehicle.system != 1:
        tree["system"] = vehicle.system
    if identity := _identity(vehicle.identity):
        tree["identity"] = identity
    if vehicle.parameters.start is not None:
        tree["parameters"] = {"start": os.path.relpath(vehicle.parameters.start, file.resolve().parent)}
    if vehicle.radio is not None:
        tree["radio"] = vehicle.radio
    return tree


def _identity(identity: Identity) -> dict[str, Any]:
    """As a file writes it; a firmware's version belongs to real vehicles alone."""
    told = identity.model_dump(mode="json", exclude_defaults=True, exclude={"firmware", "set_point_stream"})
    stream = identity.set_point_stream
    if stream != type(stream)():
        told["set_point_stream"] = {
            "before_entry": f"{stream.before_entry_s:g} s",
            "time_out": f"{stream.time_out_s:g} s",
        }
    return told


def _told(found: Calibration) -> list[tuple[str, str, str]]:
    rows: list[tuple[str, Estimate | None]] = [("thrust", found.thrust), ("drag", found.drag)]
    return [
        (f"{name} {100 * one.value:.1f} % of the design's", f"{100 * one.low:.1f}", f"{100 * one.high:.1f} %")
        for name, one in rows
        if one is not None
    ]


def _predicted(found: Calibration) -> list[str]:
    return [
        f"held out: {visible(one.name)}: velocity after 2 s off by {one.before.level_m_s:.2f} m/s before and "
        f"{one.after.level_m_s:.2f} m/s after (level), {one.before.upright_m_s:.2f} and "
        f"{one.after.upright_m_s:.2f} m/s (upright)"
        for one in found.held_out
    ]


def _kept(found: Calibration) -> str:
    kept = [name for name, one in (("thrust", found.thrust), ("drag", found.drag)) if one is None]
    return ", ".join([*kept, "mass", "sensors", "motors' lag", "delay"])
