"""SVG, written by hand: shapes with two-decimal coordinates, every text escaped.

Colours are classes of `assets/site.css`, so that one picture serves light, dark and print; `standalone` puts the
light ones into a picture that stands alone.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import cache
from html import escape
from importlib.resources import files
from itertools import pairwise

import numpy as np
from markupsafe import Markup

from asflown.frames import FloatArray
from asflown.report.visible import visible

Point = tuple[float, float]
LETTER = 7.6
"""How wide a letter of a picture's words is at most, on average."""

_STANDALONE_STYLE = (
    "text{font:12px Arial,'Liberation Sans','DejaVu Sans','Noto Sans',sans-serif;fill:var(--ink)}"
    ".tick,.axis{fill:var(--faint)}"
    ".leg{fill:var(--accent);font-weight:bold;paint-order:stroke;stroke:var(--sheet);stroke-width:3px}"
    ".title{font-size:17px;font-weight:bold}.title.fail{fill:var(--fail)}.title.pass{fill:var(--pass)}"
    ".title.inconclusive{fill:var(--inconclusive)}.title.error{fill:var(--error)}.reason{font-size:13px}"
    ".corridor{stroke:var(--accent);fill:none;opacity:.14;stroke-linejoin:round}"
    ".planned{stroke:var(--accent);fill:none;stroke-width:1.5;stroke-dasharray:6 4}"
    ".track{fill:none;stroke-width:2;stroke-linejoin:round}.inside{stroke:var(--inside)}"
    ".near{stroke:var(--near);stroke-width:3}.beyond{stroke:var(--beyond);stroke-width:4}"
    ".aside{stroke:var(--aside)}.grid{stroke:var(--rule);stroke-width:1}"
    ".truth{stroke:var(--truth);fill:none;stroke-width:1.5;stroke-dasharray:2 3}"
    ".mark{fill:var(--ink)}.worst{fill:none;stroke:var(--beyond);stroke-width:2}"
)
_ROOT = re.compile(r":root \{(.*?)\}", re.DOTALL)
_COLOUR = re.compile(r"--([\w-]+): (#[0-9a-f]{6})")


@cache
def palettes() -> tuple[dict[str, str], dict[str, str]]:
    """The colours of the site by name, as `#rrggbb`: light and dark. `assets/site.css` is where they are written."""
    css = (files("asflown.report.site") / "assets" / "site.css").read_text(encoding="utf-8")
    light, dark = (dict(_COLOUR.findall(found)) for found in _ROOT.findall(css)[:2])
    return light, dark


def number(value: float) -> str:
    """A coordinate."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def polyline(points: Iterable[Point], classes: str, extra: str = "") -> str:
    """An open line; nothing for fewer than two points."""
    text = " ".join(f"{number(x)},{number(y)}" for x, y in points)
    return f'<polyline class="{classes}" points="{text}"{extra}/>' if " " in text else ""


def line(begin: Point, end: Point, classes: str) -> str:
    """A straight line."""
    return (
        f'<line class="{classes}" x1="{number(begin[0])}" y1="{number(begin[1])}"'
        f' x2="{number(end[0])}" y2="{number(end[1])}"/>'
    )


def rectangle(corner: Point, width: float, height: float, classes: str, title: str = "") -> str:
    """A rectangle, with words that a pointer shows."""
    inside = f"<title>{words(title)}</title>" if title else ""
    return (
        f'<rect class="{classes}" x="{number(corner[0])}" y="{number(corner[1])}"'
        f' width="{number(max(0.0, width))}" height="{number(height)}">{inside}</rect>'
    )


def circle(centre: Point, radius: float, classes: str, title: str = "") -> str:
    """A circle, with words that a pointer shows."""
    inside = f"<title>{words(title)}</title>" if title else ""
    return (
        f'<circle class="{classes}" cx="{number(centre[0])}" cy="{number(centre[1])}" r="{number(radius)}">'
        f"{inside}</circle>"
    )


def label(place: Point, text: str, classes: str = "", anchor: str = "start") -> str:
    """Words in a picture."""
    return (
        f'<text class="{classes}" x="{number(place[0])}" y="{number(place[1])}"'
        f' text-anchor="{anchor}">{words(text)}</text>'
    )


def picture(parts: Sequence[str], width: float, height: float, title: str, attributes: str = "") -> Markup:
    """The whole picture; `title` is what a screen reader says, `attributes` are for the page's script."""
    return Markup(  # noqa: S704  every text in it went through `words`
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {number(width)} {number(height)}" role="img"'
        f' aria-label="{words(title)}"{attributes}>{"".join(parts)}</svg>'
    )


def standalone(svg: str) -> str:
    """A picture that needs no page: with colours and a white ground."""
    head, _, rest = svg.partition(">")
    light, _ = palettes()
    style = re.sub(r"var\(--([\w-]+)\)", lambda found: light[found[1]], _STANDALONE_STYLE)
    ground = '<rect width="100%" height="100%" fill="#ffffff"/>'
    return f"{head}><style>{style}</style>{ground}{rest}"


def words(text: str) -> str:
    """Text of anybody, made fit for XML."""
    return escape(visible(text))


def rows_of(labels: Sequence[tuple[float, str]]) -> list[int]:
    """Of words and where each begins: the row, counted from 0, in which they overlap no others."""
    taken: list[list[tuple[float, float]]] = []
    rows = []
    for begin, text in labels:
        end = begin + LETTER * len(text)
        free = (k for k, row in enumerate(taken) if all(end < a or begin > b for a, b in row))
        row = next(free, len(taken))
        if row == len(taken):
            taken.append([])
        taken[row].append((begin, end))
        rows.append(row)
    return rows


def ticks(low: float, high: float, most: int) -> list[float]:
    """Round values from `low` to `high`, at most `most` of them: steps of 1, 2 or 5 times a power of ten."""
    span = max(high - low, 1e-9)
    step = 10.0 ** np.floor(np.log10(span / most))
    for factor in (1.0, 2.0, 5.0, 10.0):
        if span / (factor * step) <= most:
            step *= factor
            break
    first = np.ceil(low / step - 1e-9)
    return [float(value * step) for value in np.arange(first, np.floor(high / step + 1e-9) + 1)]


def tick_text(value: float) -> str:
    """Short."""
    return f"{value + 0.0:.6g}"


def thinned(time_s: FloatArray, values: FloatArray, most: int) -> tuple[FloatArray, FloatArray]:
    """At most `most` samples that keep the least and the greatest of each stretch, so that no peak is lost."""
    if len(time_s) <= most:
        return time_s, values
    edges = np.linspace(0, len(time_s), most // 2 + 1).astype(int)
    kept: list[int] = []
    for begin, end in pairwise(edges):
        if end > begin:
            part = values[begin:end]
            kept += sorted({begin + int(np.argmin(part)), begin + int(np.argmax(part))})
    return time_s[kept], values[kept]
