"""`asflown vehicle calibrate`: fits a simulated vehicle to flights that were flown."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from asflown.cli.parsing import SubParsers, command

if TYPE_CHECKING:
    from asflown.campaign.calibration.calibrate import Calibration
    from asflown.campaign.calibration.fit import Estimate

DESCRIPTION = """\
Fits what captures can show of a craft to flights that it flew: thrust over weight (hover throttle), drag, how late it
answers, the quick noise of what it reports, and the lag of its motors from logs of 50 Hz or more; each with its 95 %
interval. Says in plain words what they cannot show. With --out it writes a vehicle file that flies like the craft.
Nothing is sent to any vehicle.
"""

EXAMPLES = """\
examples:
  asflown vehicle calibrate palm80 monday-1.tlog monday-2.tlog
  asflown vehicle calibrate palm80 .asflown/flights/*-there-and-back-* --hold-out tuesday.tlog
  asflown vehicle calibrate workshop-quad monday-*.tlog --out vehicles/workshop-quad-sim.vehicle.yaml
  asflown fly nest-boxes.scenario.yaml --vehicle vehicles/workshop-quad-sim.vehicle.yaml

A real vehicle's file names the airframe to start from: `simulates: palm80`. Fly there and back at several speeds in
two directions, a few minutes in all, with ATTITUDE and LOCAL_POSITION_NED at 10 Hz, VFR_HUD at 2 Hz or more, and
SYS_STATUS. How it is done, and what it gave on hidden craft: harness/docs/calibration.md
"""


def add_parser(subcommands: SubParsers) -> None:
    """Adds `calibrate` to `asflown vehicle`."""
    parser = command(
        subcommands, "calibrate", "fit a simulated vehicle to flown captures", DESCRIPTION, EXAMPLES
    )
    add = parser.add_argument
    add("name", metavar="VEHICLE", help="palm80, field1400, or a vehicle file that says which it is like")
    add("flights", nargs="+", type=Path, metavar="FLIGHT", help="flights' folders or tlogs to fit to")
    add(
        "--hold-out",
        action="append",
        default=[],
        type=Path,
        metavar="FLIGHT",
        help="a flight that is not fitted to, and predicted instead; may be given several times",
    )
    add("--out", type=Path, metavar="FILE", help="write the fitted vehicle as NAME.vehicle.yaml")
    add("--json", type=Path, metavar="FILE", help="write every number as JSON")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Fits and tells. Raises UsageError, FolderProblem and VehicleProblem for what cannot be fitted."""
    from asflown.campaign.calibration.calibrate import calibrated
    from asflown.campaign.calibration.overlay import check_place, write_overlay
    from asflown.clock.wall import utc_now
    from asflown.errors import UsageError
    from asflown.report import atomic
    from asflown.scenario.vehicle_file import load_vehicle

    vehicle = load_vehicle(options.name)
    if options.out is not None:
        check_place(options.out)
    if options.json is not None:
        atomic.check_writable(options.json)
    every = [path.resolve() for path in (*options.flights, *options.hold_out)]
    twice = next((path for path in every if every.count(path) > 1), None)
    if twice is not None:
        raise UsageError(f"{twice} is named twice", "A flight counts once, and is not held out from itself")
    found = calibrated(vehicle, options.flights, options.hold_out)
    show(found)
    if options.out is not None:
        write_overlay(options.out, found, f"{utc_now():%Y-%m-%d}")
        print(f"\nwritten: {options.out}")
    if options.json is not None:
        _write(options.json, found)
    return 0


def show(found: Calibration) -> None:
    """Prints what was found, what was not, and what it is good for."""
    from asflown.report.visible import visible

    when = f", flown {' and '.join(found.flown_on)}" if found.flown_on else ""
    count = len(found.flights)
    says = f"{count} flight{'s' if count > 1 else ''}{when}, {found.airborne_s:.0f} s in the air"
    print(f"{visible(found.vehicle.name)} as {found.airframe}, {1000 * found.mass_kg:.0f} g: {says}\n")
    for name, value, interval, remark in _rows(found):
        print(f"  {name:26} {value:>9}  {interval:22} {remark}".rstrip())
    print("\nwhat they cannot show:")
    for line in found.not_shown:
        print(f"  - {line}")
    if found.held_out:
        print("\nflights that were not fitted to: velocity after 2 s, off by (root mean square)")
    for one in found.held_out:
        pairs = (
            f"{way} {a:.2f} m/s before, {b:.2f} m/s after ({_change(a, b)})"
            for way, a, b in (
                ("level", one.before.level_m_s, one.after.level_m_s),
                ("upright", one.before.upright_m_s, one.after.upright_m_s),
            )
        )
        print(f"  {visible(one.name)}: {'; '.join(pairs)}")


def _change(before: float, after: float) -> str:
    return (
        f"{abs(1 - after / before):.0%} {'less' if after <= before else 'more'}" if before > 0 else "as good"
    )


def _rows(found: Calibration) -> list[tuple[str, str, str, str]]:
    """Name, value, interval and remark of each quantity that shows."""
    old, rows = found.vehicle.craft, []
    if found.thrust is not None:
        rows.append(_row("thrust, of the design's", found.thrust, 100, "%", f"before: {old.thrust:.1%}"))
    if found.hover_throttle is not None:
        before, after = found.hover_throttle
        rows.append(_row("hover throttle, full pack", after, 100, "%", f"before: {before:.1%}"))
    if found.drag is not None:
        rows.append(_row("drag, of the design's", found.drag, 100, "%", f"before: {old.drag:.1%}"))
    if found.delay_s is not None:
        rows.append(_row("answers begin after", found.delay_s, 1000, "ms", "told, not written"))
    if found.motor_lag_s is not None:
        rows.append(_row("motors' lag", found.motor_lag_s, 1000, "ms", "told, not written"))
    for noise in found.noises:
        unit = {"m": "mm", "m/s": "mm/s"}[noise.unit]
        rows.append(_row(f"noise of {noise.name}", noise.size, 1000, unit, "quick part, one axis"))
    winds = ", ".join(f"{wind:.1f}" for wind in found.winds_m_s)
    return [*rows, ("mean wind, fitted along", f"{winds} m/s", "", "")]


def _row(name: str, one: Estimate, scale: float, unit: str, remark: str) -> tuple[str, str, str, str]:
    value, low, high = (f"{scale * part:.1f}" for part in (one.value, one.low, one.high))
    return name, f"{value} {unit}", f"({low} to {high})", remark


def _write(path: Path, found: Calibration) -> None:
    import json
    from dataclasses import asdict

    from asflown.report import atomic

    document: dict[str, Any] = asdict(found)
    document["vehicle"] = found.vehicle.name
    document["craft"] = found.shares.model_dump()
    atomic.write_text(
        path, json.dumps({"schema_version": 1, **document}, indent=1, allow_nan=False, default=float) + "\n"
    )
