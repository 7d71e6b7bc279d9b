"""Generated turbulence against the Dryden form: spectrum in bands, variance and length scale at three heights.

Run as `python -m tests.benchmarks.turbulence_spectra [--out FILE]`; it writes tables in Markdown. Source of spectra,
length scales and intensities: MIL-F-8785C (1980), low-altitude model. With x = length scale times wave number,

    along:       Phi / (sigma^2 L) = (2 / pi) / (1 + x^2)
    across, up:  Phi / (sigma^2 L) = (1 / pi) (1 + 3 x^2) / (1 + x^2)^2
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from math import exp, pi
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.signal import welch

from asflown.scenario.model import Wind
from asflown.sim.seeds import generator
from asflown.sim.weather import Weather, intensities_m_s, length_scales_m

PERIOD_S, AIRSPEED_M_S = 0.02, 25.0
HEIGHTS_M = (5.0, 20.0, 60.0)
BANDS = ((0.2, 0.6), (0.6, 2.0), (2.0, 6.0))
"""In length scale times wave number."""
Array = NDArray[np.float64]


def along_density(x: float) -> float:
    """Of unit variance and length scale, over positive wave numbers."""
    return 2.0 / pi / (1.0 + x * x)


def across_density(x: float) -> float:
    """Of unit variance and length scale, over positive wave numbers; upwards it is the same."""
    return (1.0 + 3.0 * x * x) / (1.0 + x * x) ** 2 / pi


@dataclass(frozen=True, slots=True)
class Component:
    """One of the three components at one height, measured and expected."""

    name: str
    height_m: float
    sigma: tuple[float, float]
    length_m: tuple[float, float]
    bands: tuple[tuple[float, float], ...]
    """Share of variance in each of BANDS: measured, expected."""


def components(height_m: float, samples: int, seed: int = 1) -> list[Component]:
    """Generates a series at a height and measures it."""
    weather = Weather(Wind(turbulence="moderate"), generator(seed, "turbulence"), PERIOD_S)
    series = np.array([weather.step(height_m, AIRSPEED_M_S) for _ in range(samples)])
    series[:, :2] *= -1.0  # without wind the turbulence's own axes point south and west
    level_m, upright_m = length_scales_m(height_m)
    sigma_u, sigma_w = intensities_m_s(height_m, "moderate")
    return [
        _component("along", height_m, series[:, 0], sigma_u, level_m, along_density),
        _component("across", height_m, series[:, 1], sigma_u, level_m, across_density),
        _component("upwards", height_m, series[:, 2], sigma_w, upright_m, across_density),
    ]


def _component(
    name: str,
    height_m: float,
    values: Array,
    sigma: float,
    length_m: float,
    density: Callable[[float], float],
) -> Component:
    frequency, power = welch(values, 1.0 / PERIOD_S, nperseg=min(len(values), 2**15))
    x = 2.0 * pi * frequency / AIRSPEED_M_S * length_m
    step = float(frequency[1])
    bands = tuple(
        (
            float(power[(x >= low) & (x < high)].sum()) * step / sigma**2,
            quad(density, low, high)[0],
        )
        for low, high in BANDS
    )
    return Component(name, height_m, (float(values.std()), sigma), (_length_m(name, values), length_m), bands)


def _length_m(name: str, values: Array) -> float:
    """From the autocorrelation: exp(-r/L) along falls to 1/e at L, exp(-r/L) (1 - r/2L) across falls to 0.5/e there."""
    power = np.abs(np.fft.rfft(values - values.mean(), 2 * len(values))) ** 2
    correlation = np.fft.irfft(power)[: len(values)]
    wanted = exp(-1.0) if name == "along" else 0.5 * exp(-1.0)
    below = int(np.argmax(correlation / correlation[0] < wanted))
    return below * PERIOD_S * AIRSPEED_M_S


def table(samples: int = 2**20) -> str:
    """All components at all heights."""
    names = " | ".join(f"x = {low:g} to {high:g}" for low, high in BANDS)
    lines = [
        "# Turbulence as generated, against MIL-F-8785C",
        "",
        f"{samples} samples of moderate turbulence at {1 / PERIOD_S:g} Hz, crossed at {AIRSPEED_M_S:g} m/s:",
        "measured / expected. Bands are shares of the variance by length scale times wave number. Written by",
        "`python -m tests.benchmarks.turbulence_spectra`.",
        "",
        f"| height | component | standard deviation | length scale | {names} |",
        "|---|---|---|---|" + "---|" * len(BANDS),
    ]
    for height_m in HEIGHTS_M:
        for c in components(height_m, samples):
            shares = " | ".join(f"{measured:.3f} / {expected:.3f}" for measured, expected in c.bands)
            lines.append(
                f"| {height_m:g} m | {c.name} | {c.sigma[0]:.2f} / {c.sigma[1]:.2f} m/s "
                f"| {c.length_m[0]:.0f} / {c.length_m[1]:.0f} m | {shares} |"
            )
    return "\n".join(lines) + "\n"


def main() -> None:
    """Generates and writes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    text = table()
    if options.out:
        options.out.write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
