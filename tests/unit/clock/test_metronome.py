"""The beat of a process that must be regular: absolute deadlines, and every lapse counted."""

from __future__ import annotations

import os
import time

import pytest

from asflown.clock.metronome import Metronome


def test_a_late_beat_does_not_move_the_later_ones() -> None:
    """One beat takes five periods: the next ones are overruns, come at once, and none is left out."""
    metronome, numbers = Metronome(10_000), []
    for number in metronome.beats():
        numbers.append(number)
        if number == 2:
            time.sleep(0.055)
        if number == 8:
            break
    report = metronome.report()
    assert numbers == list(range(9))
    assert report.count == 9
    assert report.overruns >= 4
    assert report.period_us_worst >= 50_000


def test_descriptors_are_read_and_callbacks_run_with_the_beat() -> None:
    """What came before the beat is there when it comes; what was cancelled does not happen."""
    metronome, log = Metronome(2_000), []
    ours, theirs = os.pipe()
    metronome.watch(ours, lambda: log.append(os.read(ours, 9)))
    os.write(theirs, b"ready")
    metronome.call_at(0, lambda: log.append(b"due"))
    metronome.call_at(0, lambda: log.append(b"never")).cancel()
    next(metronome.beats())
    metronome.unwatch(ours)
    metronome.unwatch(ours)
    os.write(theirs, b"late")
    next(metronome.beats())
    assert log == [b"ready", b"due"]
    os.close(ours)
    os.close(theirs)


def test_shares_of_the_periods_are_those_of_the_bins() -> None:
    """Ninety-nine of a hundred periods at 4 ms and one at 9 ms; the worst is exact."""
    metronome = Metronome(4_000)
    for period_us in [4_001] * 99 + [9_003]:
        metronome._note(period_us, 0)
    report = metronome.report()
    assert (report.period_us_p50, report.period_us_p99, report.period_us_worst) == (4_005, 4_005, 9_003)
    assert metronome.report().overruns == 0


async def _wait() -> None:
    await Metronome(1_000).sleep_until(0)


def test_it_has_no_tasks() -> None:
    """Whoever waits on it as on a flight's clock is told so."""
    with pytest.raises(NotImplementedError):
        _wait().send(None)
