"""The site's colours as colour-blind eyes see them: what carries meaning stays apart.

Simulation: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, A Physiologically-based Model for Simulation of Color
Vision Deficiency, IEEE Transactions on Visualization and Computer Graphics 15 (6), 2009: the matrices of severity 1.0,
from memory, equal to those that the package colorspacious 1.1.2 carries. They are applied to linear sRGB, as that
package does. Distances are those of CIE 1976 L*a*b*, white D65 (formulas of CIE 15, from memory); about 2.3 is what is
just noticed (Mahy, Van Eycken, Oosterlinck 1994, from memory), and 14 is asked for: common practice, no source.

Colour never stands alone all the same: verdicts carry a sign and a word, lines differ in dashes and width.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import numpy.typing as npt
import pytest

from asflown.report.site.ink import palettes

Colour = npt.NDArray[np.float64]
VISION = {
    "all three": np.eye(3),
    "protanopia": np.array([
        [0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998],
    ]),
    "deuteranopia": np.array([
        [0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881],
    ]),
    "tritanopia": np.array([
        [1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900],
    ]),
}  # fmt: skip
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
"""IEC 61966-2-1, from memory."""
APART = 14.0
TOGETHER = {
    "verdicts": ("pass", "fail", "inconclusive", "error"),
    "lines of a plan": ("inside", "near", "beyond", "aside", "truth", "accent"),
    "bars and bands": ("pass", "beyond", "aside"),
    "events": ("accent", "beyond"),
}
"""What stands side by side and means something else."""


def linear(colour: str) -> Colour:
    """Linear sRGB of `#rrggbb`, shape (3,)."""
    parts = np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def lab(colour: Colour) -> Colour:
    """CIE 1976 L*a*b* of linear sRGB."""
    share = TO_XYZ @ colour / TO_XYZ.sum(axis=1)
    x, y, z = np.where(share > (6 / 29) ** 3, np.cbrt(share), share / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def seen_apart(one: str, other: str, vision: str) -> float:
    """How far apart two colours are for eyes of that kind."""
    seen = [lab(np.clip(VISION[vision] @ linear(colour), 0.0, 1.0)) for colour in (one, other)]
    return float(np.linalg.norm(seen[0] - seen[1]))


@pytest.mark.parametrize(
    ("colour", "expected"),
    [
        ("#ffffff", (100.0, 0.0, 0.0)),
        ("#ff0000", (53.24, 80.09, 67.20)),
        ("#0000ff", (32.30, 79.19, -107.86)),
    ],
)
def test_the_formula_gives_the_usual_values(colour: str, expected: tuple[float, float, float]) -> None:
    """White, red and blue of sRGB in L*a*b*, as tables print them (from memory)."""
    assert lab(linear(colour)) == pytest.approx(expected, abs=0.05)


def test_the_simulation_takes_away_what_such_eyes_do_not_see() -> None:
    """Grey stays grey; a red and a green that only these eyes confuse come close, and blue and yellow do not."""
    for vision, matrix in VISION.items():
        assert matrix @ np.ones(3) == pytest.approx(np.ones(3), abs=1e-5), vision
    for vision in ("protanopia", "deuteranopia"):
        assert seen_apart("#c03000", "#707000", vision) < 0.4 * seen_apart("#c03000", "#707000", "all three")
        assert seen_apart("#0000ff", "#ffff00", vision) > 100


@pytest.mark.parametrize("vision", VISION)
@pytest.mark.parametrize("palette", palettes(), ids=["light", "dark"])
@pytest.mark.parametrize("names", TOGETHER.values(), ids=list(TOGETHER))
def test_what_means_something_else_looks_different(
    palette: dict[str, str], vision: str, names: tuple[str, ...]
) -> None:
    """Each pair, for each kind of eyes, light and dark."""
    near = {
        (one, other): round(apart, 1)
        for one, other in combinations(names, 2)
        if (apart := seen_apart(palette[one], palette[other], vision)) < APART
    }
    assert near == {}
