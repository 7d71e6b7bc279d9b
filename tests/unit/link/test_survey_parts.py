"""The parts of a survey: which frames are missing, what fits the losses, delays, rates, the profile that is written."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asflown.link.burst_loss import BurstLoss
from asflown.link.profile import StatusProfile, read_profile
from asflown.link.survey.delays import delays_of
from asflown.link.survey.down_capacity import Carried, Rate, rate_of, without_losses
from asflown.link.survey.ears import Answer, Heard, Status
from asflown.link.survey.findings import Findings, profile_yaml, radio_says
from asflown.link.survey.loss_fit import fit
from asflown.link.survey.loss_model import Gap, Observed, model_of
from asflown.link.survey.losses import down_losses, up_losses
from asflown.link.survey.sequence import gaps_before, lost_between
from asflown.link.survey.voice import Said


def heard(numbers: list[tuple[int, int]], sender: int = 257) -> list[Heard]:
    """Frames of one sender at (milliseconds, sequence number)."""
    return [Heard(1_000 * at_ms, sender, number % 256, 30, 40) for at_ms, number in numbers]


def test_gaps_are_told_over_the_end_of_the_numbers() -> None:
    """250, 3: eight are missing (OC-MAV-22); in order before and after."""
    frames = heard([(0, 249), (10, 250), (100, 259), (110, 260)])
    assert gaps_before(frames) == [0, 0, 8, 0]


def test_whole_rounds_are_told_by_the_pace() -> None:
    """Ten milliseconds a frame, and then three seconds of nothing: 300 are missing, not 44."""
    steady = [(10 * n, n) for n in range(1_000)]
    frames = heard([*steady[:500], *steady[800:]])
    assert lost_between(frames) == 300


def test_what_was_overtaken_is_not_missing() -> None:
    """1, 3, 2, 4: one gap, and no round of 256."""
    frames = heard([(0, 1), (10, 3), (12, 2), (30, 4)])
    assert gaps_before(frames) == [0, 1, 0, 0]


def test_senders_do_not_disturb_each_other() -> None:
    """A camera's numbers are its own."""
    craft, camera = heard([(0, 1), (10, 2), (20, 3)]), heard([(5, 90), (15, 91)], sender=356)
    merged = sorted(craft + camera, key=lambda frame: frame.time_us)
    assert lost_between(merged) == 0


def runs_of(arrived: Iterable[bool]) -> Counter[int]:
    """The runs of losses between arrivals in a series that is known; what lies before the first arrival is left out."""
    runs: Counter[int] = Counter()
    length: int | None = None
    for one in arrived:
        if not one:
            length = None if length is None else length + 1
            continue
        if length is not None:
            runs[length] += 1
        length = 0
    return runs


def test_runs_of_losses() -> None:
    """What lies before the first arrival and behind the last is not known to be whole."""
    series = [bool(int(sign)) for sign in "00110001011100"]
    assert runs_of(series) == Counter({0: 3, 3: 1, 1: 1})


@given(st.floats(1e-4, 0.5), st.floats(1.01, 50), st.floats(0, 0.9))
def test_a_model_has_the_loss_and_burst_it_was_made_for(loss: float, burst: float, background: float) -> None:
    """Where there is one at all: by the formulas of the emulated channel, which are other code."""
    model = model_of(loss, burst, background)
    if model is None:
        return
    channel = BurstLoss(model.to_bad, model.to_good, Random(1), loss_in_good=model.in_good)
    assert channel.mean_loss == pytest.approx(loss, rel=1e-6)
    assert channel.mean_burst == pytest.approx(burst, rel=1e-6)


def test_the_fit_of_a_long_series_finds_its_channel() -> None:
    """200,000 frames: within five per cent, and the truth within narrow intervals."""
    channel = BurstLoss(0.01, 0.25, Random(3), loss_in_good=0.002)
    found = fit(Observed(runs_of(not channel.loses() for _ in range(200_000))))
    assert found is not None
    assert found.mean_burst is not None
    assert found.loss.low <= channel.mean_loss <= found.loss.high
    assert found.loss.high - found.loss.low < 0.15 * channel.mean_loss
    assert found.mean_burst.value == pytest.approx(channel.mean_burst, rel=0.05)
    assert found.good_to_bad == pytest.approx(0.01, rel=0.1)
    assert found.in_good == pytest.approx(0.002, rel=0.2)


@given(st.lists(st.booleans(), min_size=60, max_size=200))
@settings(max_examples=8)
@pytest.mark.slow
def test_every_estimate_lies_within_its_interval(series: list[bool]) -> None:
    """Whatever was lost; and all are probabilities."""
    found = fit(Observed(runs_of(series)))
    if found is None:
        return
    assert 0 <= found.loss.low <= found.loss.value <= found.loss.high <= 1
    if found.mean_burst is not None:
        assert 1 <= found.mean_burst.low <= found.mean_burst.value <= found.mean_burst.high


def test_no_loss_has_an_upper_end_all_the_same() -> None:
    """Of 100 frames none: with 95 % at most 2.95 % (the exact binomial bound 1 - 0.05^(1/100))."""
    found = fit(Observed(Counter({0: 100})))
    assert found is not None
    assert (found.loss.value, found.mean_burst) == (0.0, None)
    assert found.loss.high == pytest.approx(0.0295, abs=1e-4)


def test_a_gap_with_certain_weights_is_a_run() -> None:
    """Two ways to say that three frames in a row were lost give the same answer."""
    plain = fit(Observed(Counter({0: 300, 3: 4, 1: 2})))
    said = fit(Observed(Counter({0: 300, 3: 3, 1: 2}), (Gap((True, True, True), (1.0,)),)))
    assert plain is not None
    assert said is not None
    assert plain.loss.value == pytest.approx(said.loss.value, rel=1e-3)


def probes(spacing_ms: int, fates: str) -> tuple[list[Said], dict[int, Answer], list[Heard]]:
    """Probes that are answered (a), lost on the way up (u), or on the way down (d); nothing else comes down."""
    said, answers, frames, number = [], {}, [], 0
    for n, fate in enumerate(fates):
        at_us = 1_000 * spacing_ms * n
        said.append(Said(at_us, 1 + n, 28))
        if fate == "u":
            continue
        if fate == "a":
            frames.append(Heard(at_us + 20_000, 257, number % 256, 111, 28))
            answers[1 + n] = Answer(at_us + 20_000, 5, len(frames) - 1)
        number += 1
    return said, answers, frames


def test_losses_up_and_down_are_told_apart_by_the_vehicle_s_numbers() -> None:
    """Where no frame of the vehicle is missing, the probe never arrived; where one is, its answer was lost."""
    said, answers, frames = probes(25, "aauaaadaaauuaadda")
    up, down = up_losses(said, answers, frames), down_losses(frames)
    assert up.runs == Counter({0: 6, 1: 1, 2: 1})
    assert [gap.steps for gap in up.gaps] == [(True,), (True, True)]
    assert down.runs == Counter({0: 8, 1: 1, 2: 1})
    for gap in up.gaps:  # no telemetry beside the answers: all that is missing is answers
        assert gap.weights[-1] > 100 * sum(gap.weights[:-1])


def test_delays_of_a_clock_that_runs_fast() -> None:
    """Up 30 ms, down 10 ms and more, the vehicle's clock 5 s ahead and 100 parts in a million fast."""
    random = Random(4)
    asked, answers = [], {}
    for n in range(2_000):
        sent_us = 50_000 * n
        up_us, down_us = 30_000 + random.random() * 20_000, 10_000 + random.random() * 20_000
        arrived_us = sent_us + up_us
        asked.append(sent_us * 1_000 + 1)
        vehicle_us = 5_000_000 + arrived_us * 1.0001
        answers[asked[-1]] = Answer(round(arrived_us + down_us), round(vehicle_us * 1_000), n)
    found = delays_of(asked, answers, 0)
    assert found is not None
    assert found.drift_ppm.low <= 100 <= found.drift_ppm.high
    assert found.drift_ppm.value == pytest.approx(100, abs=10)
    assert found.least_way_ms == pytest.approx(20, abs=0.5)
    assert found.offset_s == pytest.approx(
        5.015, abs=0.002
    )  # 5 s, half the difference of the ways, drift by the middle
    assert found.round_trip_ms[50] == pytest.approx(60, abs=1)


def test_rate_and_overhead_follow_from_two_mixes() -> None:
    """1,000 bytes a second with 10 of overhead: 100 frames of 20 take 3 s, 100 of 90 take 10 s."""
    found = rate_of((Carried(100, 2_000, 3.0), Carried(100, 9_000, 10.0)))
    assert found is not None
    assert found.bytes_per_s == pytest.approx(1_000)
    assert found.overhead_bytes == pytest.approx(10)


def test_mixes_that_are_alike_tell_no_overhead() -> None:
    """Then what is carried is all that can be said."""
    assert rate_of((Carried(100, 2_000, 2.0), Carried(100, 2_100, 2.0))) == Rate(1_050, 0.0)
    assert rate_of(()) is None


def test_frames_lost_on_a_full_link_do_not_make_it_slower() -> None:
    """Ten milliseconds a frame, one in thirty missing: the time of each frame is found all the same."""
    random = Random(2)
    frames = [(10 * n, n) for n in range(1_000) if n == 0 or random.random() > 1 / 30]
    carried = without_losses(heard(frames))
    assert carried.seconds / carried.frames == pytest.approx(0.010, rel=0.03)


STATUSES = [Status(1_500_000 * n, 255 if n else 90, 40) for n in range(10)]


def findings_with(loss: float) -> Findings:
    """A link of 5,000 bytes a second each way."""
    channel = BurstLoss(loss, 0.5, Random(1)) if loss else None
    series = [channel is None or not channel.loses() for _ in range(5_000)]
    found = fit(Observed(runs_of(series)))
    delays = delays_of(
        [1_000_000 * n + 1 for n in range(100)],
        {1_000_000 * n + 1: Answer(1_000 * n + 50_000, 1_000_000 * (n + 24), n) for n in range(100)},
        0,
    )
    rate = Rate(5_000.4, 5.6)
    return Findings(
        "x", 1, 1, 60.0, False, (), 900.0, rate, rate, None, delays, found, found, radio_says(STATUSES), ()
    )


@pytest.mark.parametrize("loss", [0.0, 0.01])
def test_the_profile_that_is_written_can_be_read(tmp_path: object, loss: float) -> None:
    """With what was found, each number with its unit."""
    from pathlib import Path

    file = Path(str(tmp_path)) / "found.yaml"
    file.write_text(profile_yaml(findings_with(loss), "found"), encoding="utf-8")
    profile = read_profile(file)
    lane = profile.up_lane
    assert (lane.rate_bytes_per_s, lane.overhead_bytes) == (5_000, 6)
    assert lane.latency_s == pytest.approx(0.025 - 0.00672, abs=0.0005)
    assert lane.loss.good_to_bad == pytest.approx(loss, rel=0.5)
    assert np.isfinite(lane.jitter_s)
    assert profile.status == StatusProfile(every_s=1.5, rssi=254, noise=40)


def test_a_radio_that_reported_once_tells_no_interval() -> None:
    """Nor does one that said nothing."""
    assert radio_says(STATUSES[:1]) is radio_says([]) is None
