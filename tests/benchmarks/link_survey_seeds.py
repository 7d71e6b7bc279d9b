"""Does a survey find what was set on an emulated radio, and again on the profile that it wrote? Over many seeds.

    python -m tests.benchmarks.link_survey_seeds [--radio sub-ghz-telemetry] [--seeds 100] [--workers 2] [--page]

For each seed: a built-in vehicle over the radio in virtual time, surveyed by the code that `asflown link survey` runs;
then the profile that it wrote, surveyed the same way. Prints each seed, then how many found the rate within 5 %, the
latency within 2 ms or 5 %, and loss and mean burst within the stated 95 % interval, each way. With --page that goes
into harness/docs/link.md. Exit code 1 when one of them was found for fewer than 93 in 100 seeds. A hundred seeds take
about half an hour on two cores.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from random import Random

from asflown.clock.virtual import VirtualClock
from asflown.link.burst_loss import BurstLoss
from asflown.link.emulated import EmulatedEndpoint
from asflown.link.profile import LaneProfile, RadioProfile, load_profile
from asflown.link.radio import Radio
from asflown.link.survey.down_capacity import Rate
from asflown.link.survey.findings import Findings, profile_yaml
from asflown.link.survey.loss_fit import LossFit
from asflown.link.survey.survey import Plan, survey
from asflown.scenario.model import Conditions, Start
from asflown.scenario.vehicle_file import load_vehicle
from asflown.vehicle.registry import open_built_in
from tests.benchmarks.page import put, table

ENOUGH = 0.93


def surveyed(profile: RadioProfile, seed: int, seconds: float) -> Findings:
    """The survey of a built-in vehicle over a radio, in virtual time."""
    clock = VirtualClock()
    vehicle = open_built_in(clock, load_vehicle("palm80"), Start(), Conditions(), seed)
    radio = Radio(profile, clock, up=Random(f"up {seed}"), down=Random(f"down {seed}"))
    endpoint = EmulatedEndpoint(vehicle.endpoint, radio)

    async def run() -> Findings:
        vehicle.start()
        try:
            return await survey(clock, endpoint, Plan(profile.name, seconds), lambda words: None)
        finally:
            vehicle.stop()

    return clock.run(run())


def model_of(lane: LaneProfile) -> BurstLoss:
    """The loss that a lane is set to."""
    loss = lane.loss
    return BurstLoss(
        loss.good_to_bad, loss.bad_to_good, Random(0), loss_in_good=loss.in_good, loss_in_bad=loss.in_bad
    )


def holds(found: Findings, profile: RadioProfile) -> dict[str, bool]:
    """Which of the promises a survey kept."""
    kept: dict[str, bool] = {}
    latency_ms = 1000 * (profile.up_lane.latency_s + profile.down_lane.latency_s) / 2
    off_ms = abs((found.latency_ms or 0.0) - latency_ms)
    kept["latency"] = off_ms <= max(2.0, 0.05 * latency_ms)
    for way, lane, rate, loss in (
        ("up", profile.up_lane, found.rate_up, found.loss_up),
        ("down", profile.down_lane, found.rate_down, found.loss_down),
    ):
        kept[f"rate {way}"] = rate_holds(rate, lane)
        kept |= loss_holds(way, loss, model_of(lane))
    return kept


def rate_holds(rate: Rate | None, lane: LaneProfile) -> bool:
    """Within 5 %; a link without a rate has none to be found."""
    if lane.rate_bytes_per_s is None or rate is None:
        return lane.rate_bytes_per_s is None and rate is None
    return abs(rate.bytes_per_s / lane.rate_bytes_per_s - 1) <= 0.05


def loss_holds(way: str, loss: LossFit | None, truth: BurstLoss) -> dict[str, bool]:
    """Loss and mean burst, each within its interval."""
    assert loss is not None
    burst = loss.mean_burst
    return {
        f"loss {way}": loss.loss.low <= truth.mean_loss <= loss.loss.high,
        f"burst {way}": burst is None or burst.low <= truth.mean_burst <= burst.high,
    }


def line(seed: int, found: Findings, kept: dict[str, bool]) -> str:
    """One seed in one line."""

    def rate(one: Rate | None) -> str:
        return "-" if one is None else f"{one.bytes_per_s:.0f}+{one.overhead_bytes:.1f}"

    def loss(one: LossFit | None) -> str:
        assert one is not None
        burst = "-" if one.mean_burst is None else f"{one.mean_burst.value:.2f}"
        return f"{100 * one.loss.value:.2f}%x{burst}"

    missed = ", ".join(name for name, well in kept.items() if not well)
    return (
        f"seed {seed}: up {rate(found.rate_up)} {loss(found.loss_up)},"
        f" down {rate(found.rate_down)} {loss(found.loss_down)}, latency {found.latency_ms:.2f} ms"
        f"{f'; missed: {missed}' if missed else ''}"
    )


def both(radio: str, seconds: float, seed: int) -> tuple[str, dict[str, bool], dict[str, bool]]:
    """A survey, and the survey of the profile that it wrote: what was found, and which promises each kept."""
    profile = load_profile(radio)
    found = surveyed(profile, seed, seconds)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "found.yaml"
        file.write_text(profile_yaml(found, "found"), encoding="utf-8")
        written = load_profile(str(file))
    again = surveyed(written, seed + 10_000, seconds)
    kept, kept_again = holds(found, profile), holds(again, written)
    return f"{line(seed, found, kept)}\n  again {line(seed, again, kept_again)}", kept, kept_again


def summary(seeds: int, first: Counter[str], second: Counter[str]) -> str:
    """The table."""
    heads = [f"found as it was set, of {seeds} seeds", "first survey", "of the profile it wrote"]
    return table(heads, [[name, str(first[name]), str(second[name])] for name in sorted(first)])


def main() -> int:
    """Surveys, and counts; the exit code."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--radio", default="sub-ghz-telemetry")
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    first: Counter[str] = Counter()
    second: Counter[str] = Counter()
    with ProcessPoolExecutor(options.workers) as pool:
        survey_both = partial(both, options.radio, options.seconds)
        for said, kept, kept_again in pool.map(survey_both, range(1, options.seeds + 1)):
            print(said, flush=True)
            first.update(kept)
            second.update(kept_again)
    text = summary(options.seeds, first, second)
    print(text)
    if options.page:
        put("link.md", "link_survey_seeds", text)
    enough = all(count >= ENOUGH * options.seeds for counted in (first, second) for count in counted.values())
    return 0 if enough else 1


if __name__ == "__main__":
    sys.exit(main())
