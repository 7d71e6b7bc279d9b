"""`asflown link survey`: measures a link, prints a table, and writes the document and the profile asked for."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from asflown.cli.parsing import SubParsers, command

if TYPE_CHECKING:
    from asflown.link.survey.down_capacity import Rate
    from asflown.link.survey.findings import Findings
    from asflown.link.survey.loss_fit import LossFit

DESCRIPTION = """\
Measures what a link to a vehicle can carry: round trip and clock, loss each way with its bursts, rate and overhead
each way, how often each message comes. Propellers off, vehicle disarmed: the link is filled for that, and messages are
made more frequent for a while and put back. An armed vehicle is only listened to and asked for its time.
"""

EXAMPLES = """\
examples:
  asflown link survey "serial:///dev/ttyUSB0?baud=57600" --profile field.yaml
  asflown link survey udp-listen://127.0.0.1:14550 --for "3 min" --json link.json
  asflown link survey palm80 --radio sub-ghz-telemetry     a built-in vehicle over an emulated radio, in seconds
"""


def add_survey(subcommands: SubParsers) -> None:
    """Adds `survey` to `asflown link`."""
    parser = command(subcommands, "survey", "measure what a link can carry", DESCRIPTION, EXAMPLES)
    add = parser.add_argument
    parser.set_defaults(run=run_survey)
    add("url", metavar="URL", help="the vehicle's link, or the name of a built-in vehicle (with --radio)")
    add(
        "--for",
        dest="duration",
        type=_seconds,
        default=60.0,
        metavar="TIME",
        help='how long loss is measured ("60 s")',
    )
    add("--gentle", action="store_true", help="do not fill the link: no rates, no message made more frequent")
    add("--profile", type=Path, metavar="FILE", help="write a radio profile that behaves as the link does")
    add("--json", type=Path, metavar="FILE", help="write everything that was found")
    add("--radio", metavar="PROFILE", help="the emulated radio before a built-in vehicle")
    add("--seed", type=int, default=1, metavar="N", help="what that radio's losses are drawn from (1)")


def run_survey(options: argparse.Namespace) -> int:
    """Surveys; returns the exit code. Raises LinkProblem when no vehicle is heard, UsageError for wrong options."""
    import json

    from asflown.link.survey.findings import profile_yaml
    from asflown.report.atomic import check_writable, write_text

    for file in (options.profile, options.json):
        if file is not None:
            check_writable(file)
    findings = _survey_built_in(options) if options.radio is not None else _survey_link(options)
    _print(findings)
    if options.json is not None:
        write_text(options.json, json.dumps(findings.document(), indent=2) + "\n")
    if options.profile is not None:
        write_text(options.profile, profile_yaml(findings, _profile_name(options.profile)))
    return 0


def _survey_link(options: argparse.Namespace) -> Findings:
    from asflown.clock.kernel import StoppedBySignal
    from asflown.clock.paced import PacedClock
    from asflown.link.endpoint import make_endpoint
    from asflown.link.survey.survey import Plan, survey
    from asflown.url import parse

    url = parse(options.url)
    clock = PacedClock()
    endpoint = make_endpoint(url, clock, name="vehicle")
    plan = Plan(options.url, options.duration, fill=not options.gentle)
    try:
        return clock.run(survey(clock, endpoint, plan, _say))
    except StoppedBySignal as stop:
        raise SystemExit(128 + stop.signal_number) from None


def _survey_built_in(options: argparse.Namespace) -> Findings:
    """In virtual time."""
    from random import Random

    from asflown.clock.virtual import VirtualClock
    from asflown.link.emulated import EmulatedEndpoint
    from asflown.link.profile import load_profile
    from asflown.link.radio import Radio
    from asflown.link.survey.survey import Plan, survey
    from asflown.scenario.model import Conditions, Start
    from asflown.scenario.vehicle_file import load_vehicle
    from asflown.vehicle.registry import open_built_in

    clock, seed = VirtualClock(), options.seed
    vehicle = open_built_in(clock, load_vehicle(options.url), Start(), Conditions(), seed)
    generators = {way: Random(f"radio {way} {seed}") for way in ("up", "down")}
    radio = Radio(load_profile(options.radio), clock, **generators)
    endpoint = EmulatedEndpoint(vehicle.endpoint, radio)
    plan = Plan(f"{options.url} over {options.radio}", options.duration, fill=not options.gentle)

    async def fly() -> Findings:
        vehicle.start()
        try:
            return await survey(clock, endpoint, plan, _say)
        finally:
            vehicle.stop()

    return clock.run(fly())


def _say(words: str) -> None:
    print(f"{words} ...", file=sys.stderr, flush=True)


def _print(findings: Findings) -> None:
    from rich.table import Table

    from asflown.report.terminal import console
    from asflown.report.visible import visible

    out = console(sys.stdout)
    out.print(
        f"{visible(findings.link)}: system {findings.system}, component {findings.component},"
        f" surveyed for {findings.seconds:.0f} s"
    )
    table = Table(box=None, pad_edge=False, header_style="dim")
    table.add_column("")
    table.add_column("found", overflow="fold")
    for name, found in _rows(findings):
        table.add_row(name, found)
    out.print(table)
    rates = Table(box=None, pad_edge=False, header_style="dim")
    for name in ("message", "per second", "bytes a frame"):
        rates.add_column(name, justify="left" if name == "message" else "right")
    for rate in findings.messages:
        rates.add_row(visible(rate.name), f"{rate.per_s:.1f}", f"{rate.mean_bytes:.0f}")
    out.print(rates)
    for note in findings.notes:
        out.print(f"note: {visible(note)}")


def _rows(findings: Findings) -> Iterator[tuple[str, str]]:
    yield "rate up", _rate(findings.rate_up)
    yield "rate down", _rate(findings.rate_down)
    if findings.down is not None and findings.down.share_while_up_is_full is not None:
        share = 100 * findings.down.share_while_up_is_full
        kind = "half-duplex" if findings.half_duplex else "full-duplex"
        yield "both ways", f"{kind}: with the way up full, {share:.0f} % of the way down is left"
    delays = findings.delays
    if delays is not None:
        trips = ", ".join(f"{value:.1f} ms ({share} %)" for share, value in delays.round_trip_ms.items())
        yield "round trip", f"least {delays.round_trip_least_ms:.1f} ms; {trips}"
        yield "latency", f"{findings.latency_ms:.1f} ms each way, without the time on the air"
        drift = delays.drift_ppm
        ppm = f"{drift.value:+.1f} ppm ({drift.low:+.1f} to {drift.high:+.1f})"
        yield "vehicle's clock", f"{delays.offset_s:+.6f} s from ours, drifting {ppm}"
    yield "loss up", _loss(findings.loss_up)
    yield "loss down", _loss(findings.loss_down)
    if findings.radio is not None:
        said = findings.radio
        yield "radio", f"reports every {said.every_s:.1f} s: signal {said.rssi}, noise {said.noise}"
    yield "telemetry", f"{findings.telemetry_bytes_per_s:.0f} B/s as the vehicle sends it by itself"


def _rate(rate: Rate | None) -> str:
    if rate is None:
        return "not found"
    return (
        f"{rate.bytes_per_s:.0f} B/s on the air, with {rate.overhead_bytes:.0f} B of overhead for each frame"
    )


def _loss(loss: LossFit | None) -> str:
    if loss is None:
        return "not found"
    share = f"{100 * loss.loss.value:.2f} % ({100 * loss.loss.low:.2f} to {100 * loss.loss.high:.2f})"
    if loss.mean_burst is None:
        return f"{share} of {loss.frames} frames"
    burst = loss.mean_burst
    return (
        f"{share} of {loss.frames} frames, {burst.value:.1f} in a row ({burst.low:.1f} to {burst.high:.1f});"
        f" 95 % intervals; good to bad {100 * loss.good_to_bad:.2f} %, bad to good {100 * loss.bad_to_good:.0f} %,"
        f" lost in good {100 * loss.in_good:.2f} %"
    )


def _profile_name(file: Path) -> str:
    import re

    return re.sub(r"[^a-z0-9]+", "-", file.stem.lower()).strip("-") or "surveyed"


def _seconds(text: str) -> float:
    from asflown.errors import QuantityProblem
    from asflown.units import Dimension, parse_quantity

    try:
        value = parse_quantity(text, Dimension.DURATION)
    except QuantityProblem as problem:
        raise argparse.ArgumentTypeError(str(problem)) from problem
    if not 5 <= value <= 86_400:
        raise argparse.ArgumentTypeError(f"`{text}` is not between 5 s and 24 h")
    return value
