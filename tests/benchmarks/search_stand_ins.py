"""How the search looks for weaknesses of stand-ins: many seeds in a minute, where real flights take an hour.

    python -m tests.benchmarks.search_stand_ins [--seeds 30] [--most 60] [--library] [--no-turns] [--no-hints]

Formulas take the place of flights: margins that dip where a gust, a delay or a jump matters, shaped after the planted
ones (`planted.py`), and one in which the wind's direction does. They are invented, so what they say of a change to the
search is borne out by `search_evidence` only. `--library` puts the Gaussian process of scikit-learn in the place of our
own (`pip install scikit-learn`; it is not in the lock); `--no-turns` looks at the lowest value alone, `--no-hints`
leaves out when margins were smallest.
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Callable
from importlib import import_module
from math import cos, radians
from statistics import mean, median
from typing import Any

import numpy as np

from asflown.campaign import optimise
from asflown.campaign import search as searching
from asflown.campaign.flying import Outcome
from asflown.campaign.plan import number_of
from asflown.campaign.surface import Shape
from asflown.frames import FloatArray
from asflown.scenario.campaign import Campaign
from tests.benchmarks.page import table

Margins = dict[str, tuple[float, float]]
"""Each with the moment in s at which it is at its smallest."""
AT = {"fault.at": ("4 s", "36 s")}


def _while(at_s: float, begin_s: float, end_s: float, soft_s: float) -> float:
    """1 within, 0 outside, with a ramp at both ends."""
    return min(1.0, max(0.0, (at_s - begin_s) / soft_s)) * min(1.0, max(0.0, (end_s - at_s) / soft_s))


def gust(at_s: float, speed_m_s: float, from_deg: float) -> Margins:
    """Fails in strong gusts from one side, in a window of 5 s; from the other it swings back a little too far.

    Elsewhere gusts only spoil the landing a little.
    """
    push = speed_m_s * cos(radians(from_deg - 90))
    nearer = (0.028 if push > 0 else 0.007) * abs(push) * (0.9 + 0.1 * cos(4 * at_s))
    return {
        "hedge": (0.2 - nearer * _while(at_s, 16, 21, 0.8), 20.5),
        "landing": (0.85 - 0.006 * speed_m_s**2 * _while(at_s, 30, 36, 1.5), 37.5),
    }


def delay(at_s: float, for_s: float) -> Margins:
    """Fails by steps, while landing."""
    steps = max(0.0, (for_s - 0.4) // 0.5)
    return {"hedge": (0.2, 20.5), "landing": (0.85 - 0.25 * steps * _while(at_s, 26, 33, 1.0), 37.5)}


def jump(at_s: float, severity: float) -> Margins:
    """Fails while it holds."""
    return {
        "hedge": (0.2 - 0.32 * severity * _while(at_s, 13, 20, 1.5), 20.5),
        "landing": (0.85 - 0.5 * severity * _while(at_s, 32, 36, 1.5), 37.5),
    }


def wind(speed_m_s: float, from_deg: float, _nothing: float) -> Margins:
    """Fails in strong wind from one side; a smaller margin never moves."""
    off = abs((from_deg - 100 + 180) % 360 - 180)
    return {"path": ((8 - speed_m_s) / 10 + max(0.0, off - 20) / 90, 20.0), "duration": (0.1, 37.5)}


STAND_INS: dict[str, tuple[Callable[..., Margins], dict[str, tuple[str, str]]]] = {
    "gust": (gust, AT | {"fault.speed": ("1 m/s", "8 m/s"), "fault.from": ("0 deg", "360 deg")}),
    "delay": (delay, AT | {"fault.for": ("0.1 s", "2.9 s")}),
    "jump": (jump, AT | {"fault.severity": ("0", "1")}),
    "wind": (wind, {"speed": ("0 m/s", "10 m/s"), "from": ("0 deg", "360 deg"), "nothing": ("0", "1")}),
}


def needed(name: str, way: optimise.Way, seed: int, most: int, *, hints: bool) -> int:
    """Flights until the first that fails; one more than `most` for none."""
    margins_at, ranges = STAND_INS[name]
    vary = {key: {"uniform": list(ends)} for key, ends in ranges.items()}
    campaign = Campaign.model_validate({"vary": vary, "seed": seed})

    def evaluate(given: dict[str, str]) -> Outcome:
        found = margins_at(*(number_of(text) or 0.0 for text in given.values()))
        noise = np.random.default_rng([seed, *map(ord, str(given))])
        margins = {key: margin * (1 + 0.02 * noise.standard_normal()) for key, (margin, _) in found.items()}
        moments = {key: moment for key, (_, moment) in found.items()} if hints else {}
        verdict = "fail" if min(margins.values()) < 0 else "pass"
        return Outcome(0, seed, given, verdict, "", margins, moments=moments)  # type: ignore[arg-type]

    found = searching.search(campaign, evaluate, most, way)
    return most + 1 if found.failing is None else len(found.tries)


class LibrarySurface:
    """The library's process, fitted as it does by itself; in the place of `Surface`."""

    def __init__(self, _shape: Shape, known: FloatArray, scaled: FloatArray) -> None:
        library = import_module("sklearn.gaussian_process")
        kernels = import_module("sklearn.gaussian_process.kernels")
        scales = kernels.RBF([0.35] * known.shape[1], (0.05, 4.0))
        kernel = kernels.ConstantKernel(1.0, (1e-2, 1e2)) * scales + kernels.WhiteKernel(1e-3, (1e-5, 0.5))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of scales that end at a bound
            self._process: Any = library.GaussianProcessRegressor(kernel, random_state=0).fit(known, scaled)

    def at(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """See Surface."""
        middle, deviation = self._process.predict(points, return_std=True)
        return np.asarray(middle, np.float64), np.asarray(deviation, np.float64)


def main() -> None:
    """Searches, and prints."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=30)
    parser.add_argument("--most", type=int, default=60)
    parser.add_argument("--library", action="store_true")
    parser.add_argument("--no-turns", action="store_true")
    parser.add_argument("--no-hints", action="store_true")
    options = parser.parse_args()
    if options.library:
        vars(optimise).update(Surface=LibrarySurface, likelier=lambda shape, _known, _scaled: shape)
    if options.no_turns:
        vars(optimise).update(_TURNS=(0,))
    rows, begin_s = [], time.process_time()
    for name in STAND_INS:
        cells = [name]
        for way in ("model", "random"):
            counts = [
                needed(name, way, seed, options.most, hints=not options.no_hints)
                for seed in range(1, options.seeds + 1)
            ]
            missed = sum(count > options.most for count in counts)
            cells += [f"{median(counts):.0f}", f"{mean(counts):.1f}", f"{missed} of {options.seeds}"]
        rows.append(cells)
    heads = [
        "stand-in",
        *(f"`{way}`, {what}" for way in ("model", "random") for what in ("median", "mean", "none")),
    ]
    print(table(heads, rows))
    print(f"CPU {time.process_time() - begin_s:.0f} s")


if __name__ == "__main__":
    main()
