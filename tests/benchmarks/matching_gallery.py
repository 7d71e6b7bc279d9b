"""Draws how awkward flights are matched, for the guide: `python -m tests.benchmarks.matching_gallery`.

Needs matplotlib (extra `dev`). Writes harness/docs/gallery/*.png and harness/docs/matching.md.
"""

from __future__ import annotations

import io
from pathlib import Path

import matplotlib as mpl
import numpy as np
from PIL import Image

mpl.use("Agg")
from matplotlib import pyplot as plt
from matplotlib.axes import Axes

from asflown.grade.match import Matched, match
from tests.unit.grade.awkward import AWKWARD, Awkward

DOCS = Path(__file__).parents[2] / "harness" / "docs"
COLOURS = plt.get_cmap("tab10").colors  # type: ignore[attr-defined]
MOST_BYTES = 40_000

HEAD = """\
# How a track is laid on its path

Which leg was being flown when is decided for the whole flight at once: legs follow each other in order, none is left
out of the reckoning, and of all ways to share the samples out the one is taken that puts them nearest to their
legs and moving as befits them (`grade/match.py`). What was not flown is then named.

The pictures show what comes of it on awkward flights, all of them invented. Dotted: the expected path, with the number
of each leg at its end. Dots: the track, in the colour of the leg it was laid on. The bar: which leg had which
time; small triangles show when legs truly began, where that is known. The same flights are tests
(`tests/unit/grade/test_awkward.py`). Made by `python -m tests.benchmarks.matching_gallery`.
"""


def draw(case: Awkward, target: Path) -> Matched:
    """One picture; returns the matching that it shows."""
    matched = match(case.track, case.legs)
    figure, (above, bar) = plt.subplots(
        2, 1, figsize=(6.4, 4.6), dpi=100, height_ratios=(10, 1), layout="constrained"
    )
    _draw_map(above, case, matched)
    _draw_bar(bar, case, matched)
    raw = io.BytesIO()
    figure.savefig(raw, format="png")
    plt.close(figure)
    Image.open(raw).convert("RGB").quantize(64, dither=Image.Dither.NONE).save(target, optimize=True)
    assert target.stat().st_size <= MOST_BYTES, target
    return matched


def _draw_map(axes: Axes, case: Awkward, matched: Matched) -> None:
    ends: dict[tuple[float, ...], list[str]] = {}
    for leg in case.legs:
        points = leg.points(0.2)
        axes.plot(points[:, 1], points[:, 0], ":", color="0.35", linewidth=1.6, zorder=1)
        ends.setdefault(tuple(np.round(points[-1][:2]).tolist()), []).append(str(leg.index))
    for (forward, right), names in ends.items():
        axes.annotate(
            ", ".join(names), (right, forward), xytext=(6, 6), textcoords="offset points", fontsize=8
        )
    for number, flown in enumerate(matched.legs):
        samples = matched.on(flown).values[::2]
        axes.plot(samples[:, 1], samples[:, 0], ".", color=COLOURS[number % 10], markersize=4, zorder=2)
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_xlabel("right, m", fontsize=8)
    axes.set_ylabel("forward, m", fontsize=8)
    axes.tick_params(labelsize=7)
    missing = [str(leg.leg.index) for leg in matched.not_flown()]
    axes.set_title(
        f"{case.name}: {'not flown: ' + ', '.join(missing) if missing else 'all legs flown'}", fontsize=10
    )


def _draw_bar(axes: Axes, case: Awkward, matched: Matched) -> None:
    for number, leg in enumerate(matched.legs):
        axes.barh(0, leg.end_s - leg.begin_s, left=leg.begin_s, color=COLOURS[number % 10], height=1.0)
        if leg.end_s - leg.begin_s > 0.03 * case.track.time_s[-1]:
            axes.text(
                (leg.begin_s + leg.end_s) / 2, 0, str(leg.leg.index), ha="center", va="center", fontsize=8
            )
    known = [begin_s for begin_s in case.begins_s if begin_s is not None]
    axes.plot(known, np.full(len(known), 0.72), "v", color="black", markersize=4, clip_on=False)
    for begin, end in _gaps(case):
        axes.barh(0, end - begin, left=begin, color="white", hatch="///", edgecolor="0.6", height=1.0)
    axes.set_ylim(-0.5, 0.9)
    axes.set_xlim(float(case.track.time_s[0]), float(case.track.time_s[-1]))
    axes.set_yticks([])
    axes.set_xlabel("flight time, s", fontsize=8)
    axes.tick_params(labelsize=7)


def _gaps(case: Awkward) -> list[tuple[float, float]]:
    times = case.track.time_s
    return [(times[n], times[n + 1]) for n in np.flatnonzero(np.diff(times) > 1.0).tolist()]


def main() -> None:
    """Draws all, and writes the page."""
    (DOCS / "gallery").mkdir(exist_ok=True)
    parts = [HEAD]
    for case in AWKWARD:
        matched = draw(case, DOCS / "gallery" / f"{case.name}.png")
        begins = [round(leg.begin_s, 2) for leg in matched.legs[1:]]
        print(case.name, begins, case.begins_s, [leg.leg.index for leg in matched.not_flown()])
        parts.append(f"## {case.name}\n\n{case.seen}\n\n![{case.name}](gallery/{case.name}.png)\n")
    (DOCS / "matching.md").write_text("\n".join(parts), encoding="utf-8")


if __name__ == "__main__":
    main()
