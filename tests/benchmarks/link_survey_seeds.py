"""Does a survey find what was set on an emulated radio, and again on the profile that it wrote? Over many seeds.

    python -m tests.benchmarks.link_survey_seeds [--radio sub-ghz-telemetry] [--seeds 100] [--seconds 120] [--again]

For each seed: a built-in vehicle over the radio in virtual time, surveyed by the code that `asflown link survey` runs.
Prints each seed, then how many found the rate within 5 %, the latency within 2 ms or 5 %, and loss and mean burst
within the stated 95 % interval, each way. With --again, the profile written by each survey is surveyed the same way.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
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


def main() -> None:
    """Surveys, and counts."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--radio", default="sub-ghz-telemetry")
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--again", action="store_true")
    options = parser.parse_args()
    profile = load_profile(options.radio)
    first: Counter[str] = Counter()
    second: Counter[str] = Counter()
    for seed in range(options.first, options.first + options.seeds):
        found = surveyed(profile, seed, options.seconds)
        kept = holds(found, profile)
        first.update(name for name, well in kept.items() if well)
        print(line(seed, found, kept), flush=True)
        if options.again:
            with tempfile.TemporaryDirectory() as folder:
                file = Path(folder) / "found.yaml"
                file.write_text(profile_yaml(found, "found"), encoding="utf-8")
                written = load_profile(str(file))
            found_again = surveyed(written, seed + 10_000, options.seconds)
            kept_again = holds(found_again, written)
            second.update(name for name, well in kept_again.items() if well)
            print(f"  again {line(seed, found_again, kept_again)}", flush=True)
    print(f"{options.radio}: of {options.seeds} seeds, so many found {dict(first)}")
    if options.again:
        print(f"the profiles that were written, surveyed again: {dict(second)}")


if __name__ == "__main__":
    main()
