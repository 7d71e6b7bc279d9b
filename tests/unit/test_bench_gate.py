"""The regression gate of `ci/bench`: a slow-down is caught, noise is not, and it says so in plain words."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks import bench, bench_gate
from tests.benchmarks.bench_row import Bench, Row, row_of_times, spread_of_least, spread_of_median
from tests.unit.source import ROOT


def row(slower: float = 1.0, noise: float = 0.0, seed: int = 0) -> Row:
    """A row of five alternating times; now and then other work makes one half as long again."""
    random = np.random.default_rng(seed)

    def times(base_s: float) -> list[float]:
        spikes = np.where(random.random(5) < 0.2, 1.5, 1.0)
        return [float(one) for one in base_s * (1 + noise * np.abs(random.normal(size=5))) * spikes]

    return row_of_times("a row", times(0.1 * slower), times(1.0), "a reference", at_least=5)


def answers(slower: float, noise: float, count: int = 300) -> list[str]:
    """What the gate says of so many pairs of runs."""
    return [
        bench_gate.compare(row(slower, noise, 2 * seed), row(1.0, noise, 2 * seed + 1)).answer
        for seed in range(count)
    ]


@pytest.mark.parametrize("noise", [0.0, 0.01, 0.03, 0.10])
def test_noise_is_not_called_worse(noise: float) -> None:
    """Of 300 pairs of runs of the same code none, or hardly one, is called worse."""
    assert answers(1.0, noise).count("worse") <= 1


@pytest.mark.parametrize(("slower", "noise"), [(1.15, 0.0), (1.3, 0.01), (1.6, 0.03)])
def test_a_planted_slow_down_is_caught(slower: float, noise: float) -> None:
    """At the noise of a quiet machine nearly every run tells."""
    assert answers(slower, noise).count("worse") >= 290


def test_twice_as_slow_is_worse_however_noisy() -> None:
    """An allowance has an end: what lost more than half of its ratio is worse, not undecided."""
    then = replace(row(), spread=1.0)
    assert bench_gate.compare(replace(then, ratio=then.ratio * 0.49), then).answer == "worse"
    assert bench_gate.compare(replace(then, ratio=then.ratio * 0.6), then).answer == "undecided"


def test_better_new_and_unchanged_rows_are_told_apart() -> None:
    """None of them is a regression."""
    now = row()
    assert bench_gate.compare(replace(now, ratio=now.ratio * 2), now).answer == "better"
    assert bench_gate.compare(now, None).answer == "new"
    assert bench_gate.compare(now, now).answer == "as before"


def test_spreads_leave_one_slow_repetition_out() -> None:
    """By hand: least 10 and next 11; median 12 between 11 and 14."""
    assert spread_of_least([10, 99, 12, 11, 14]) == pytest.approx(0.1)
    assert spread_of_median([10, 99, 12, 11, 14]) == pytest.approx(1.5 / 12)


def test_the_answer_is_in_plain_words() -> None:
    """What became worse is named with both ratios, the change, and what was allowed."""
    now, then = replace(row(), ratio=7.0), replace(row(), ratio=10.0)
    found = [bench_gate.compare(now, then), bench_gate.compare(now, now)]
    assert bench_gate.said(found[0]) == (
        "worse: a row: 10x of a reference then, 7x now, 30% slower than committed (10% is allowed)"
    )
    assert bench_gate.verdict(found) == ("1 of 2 became worse: a row", 1)
    assert bench_gate.verdict(found[1:]) == ("none of 1 became worse", 0)


def test_what_seems_worse_is_measured_once_more() -> None:
    """The better of both counts; what is as before is measured once."""
    good, bad, calls = row(), replace(row(), ratio=1.0), []

    def measure(rows: list[Row]) -> list[Row]:
        calls.append(1)
        return [rows[min(len(calls), len(rows)) - 1]]

    assert bench.measured(Bench(("a row",), lambda: measure([bad, good])), {"a row": good}) == [good]
    assert len(calls) == 2
    assert bench.measured(Bench(("a row",), lambda: measure([good])), {"a row": good}) == [good]
    assert len(calls) == 3


def test_renewing_keeps_the_rows_that_were_not_measured(tmp_path: Path) -> None:
    """Figures of one group can be renewed alone."""
    file = tmp_path / "figures.json"
    first, second = row(), replace(row(), name="another")
    bench_gate.renew(file, [first, second])
    bench_gate.renew(file, [replace(second, ratio=3.0)])
    assert bench_gate.read(file) == {"a row": first, "another": replace(second, ratio=3.0)}


def command(*words: str) -> subprocess.CompletedProcess[str]:
    """`ci/bench` without its environment."""
    argv = [sys.executable, "-m", "tests.benchmarks.bench", *words]
    return subprocess.run(argv, cwd=ROOT, capture_output=True, text=True, check=False)


def test_the_command_fails_where_a_ratio_became_worse(tmp_path: Path) -> None:
    """Real measurements against figures that were planted a hundred times better; exit code 1."""
    file = tmp_path / "figures.json"
    planted = replace(row(), name="asflown --help", ratio=100.0)
    bench_gate.write(file, [planted])
    done = command("command", "--against", str(file), "--json", str(tmp_path / "now.json"))
    assert done.returncode == 1, done.stderr
    assert "became worse: asflown --help" in done.stdout
    assert bench_gate.read(tmp_path / "now.json")["asflown --help"].ratio < 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--against", "nothing.json"], "holds no figures"),
        (["wheels"], "no group wheels"),
        (["command", "--rows", "moon"], "no row has moon in its name"),
    ],
    ids=["no figures", "no group", "no row"],
)
def test_what_cannot_be_measured_is_a_usage_error(words: list[str], said: str) -> None:
    """Exit code 2, never one that speaks of a regression."""
    done = command(*words)
    assert (done.returncode, said in done.stderr) == (2, True)
