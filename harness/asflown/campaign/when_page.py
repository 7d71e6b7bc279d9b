"""The page of a point of no return: how likely failure was over flight time, and what happened around the moment."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from asflown.campaign.moments import CERTAIN, CONFIDENCE, Found
from asflown.change.happenings import Happening
from asflown.report import atomic
from asflown.report.site import ink
from asflown.report.site.page import environment
from asflown.report.site.site import write_assets

Place = Callable[[float, float], ink.Point]
"""Where a flight time and a share lie in the picture."""
_WIDTH, _LEFT, _RIGHT, _BOTTOM, _TOP = 860.0, 50.0, 12.0, 40.0, 10.0
_PLOT, _ROW = 240.0, 14.0
"""Heights of the plot, and of a row of words above it."""


@dataclass(frozen=True, slots=True)
class Told:
    """What the page says beside the moments."""

    title: str
    answer: str
    happened: tuple[Happening, ...]
    """Around the moment."""
    given: tuple[tuple[float, str], ...]
    """What the scenario itself does to the flight, and when: faults and gusts."""
    again: tuple[str, ...]
    """Commands."""


def write_page(folder: Path, told: Told, found: Found) -> Path:
    """Writes `index.html` and what it needs into `folder`, and returns it. Raises FolderProblem."""
    write_assets(folder)
    rows = [(one, one.interval) for one in found.moments if one.answered]
    page = environment().get_template("when.html.j2").render(
        root=".", title=told.title, told=told, rows=rows, picture=picture(found, told.given),
        certain=CERTAIN, confidence=CONFIDENCE,
    )  # fmt: skip
    atomic.write_text(folder / "index.html", page)
    return folder / "index.html"


def picture(found: Found, given: Sequence[tuple[float, str]] = ()) -> Markup:
    """Shares with their intervals at each moment, the rising curve, the level of 'all but certain', and the gap."""
    end_s = max(found.end_tick / 100, 0.01)

    def across(at_s: float) -> float:
        return _LEFT + at_s / end_s * (_WIDTH - _LEFT - _RIGHT)

    told = [(at_s, says) for at_s, says in given if at_s <= end_s]
    begins = [min(across(at_s), _WIDTH - ink.LETTER * len(says)) for at_s, says in told]
    rows = ink.rows_of([(begin, says) for begin, (_, says) in zip(begins, told, strict=True)])
    top = _TOP + _ROW * len(set(rows))

    def place(at_s: float, share: float) -> ink.Point:
        return across(at_s), top + (1.0 - share) * _PLOT

    drawn = [*_axes(place, end_s), *_gap(found, place)]
    for (at_s, says), begin, row in zip(told, begins, rows, strict=True):
        head = _TOP + _ROW * row
        drawn.append(ink.line((across(at_s), head), place(at_s, 0.0), "planned"))
        drawn.append(ink.label((begin + 4, head + 8), says, "tick"))
    known = [one for one in found.moments if one.answered]
    drawn.append(ink.polyline([place(one.at_s, one.fitted) for one in known], "curve"))
    for one in known:
        low, high = one.interval.low, one.interval.high
        drawn.append(ink.line(place(one.at_s, low), place(one.at_s, high), "zero"))
        title = f"{one.at_s:.2f} s: {one.happened} of {one.answered} failed ({100 * low:.0f} to {100 * high:.0f} %)"
        drawn.append(ink.circle(place(one.at_s, one.happened / one.answered), 4.0, "mark", title))
    title = "probability of failure when chance begins anew at a moment of the flight"
    return ink.picture([part for part in drawn if part], _WIDTH, top + _PLOT + _BOTTOM, title)


def _axes(place: Place, end_s: float) -> list[str]:
    drawn = []
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        drawn.append(ink.line(place(0.0, share), place(end_s, share), "grid"))
        x, y = place(0.0, share)
        drawn.append(ink.label((x - 6, y + 4), f"{100 * share:.0f} %", "tick", "end"))
    drawn.append(ink.line(place(0.0, CERTAIN), place(end_s, CERTAIN), "limit"))
    drawn += [
        ink.label((place(at_s, 0.0)[0], place(at_s, 0.0)[1] + 16), ink.tick_text(at_s), "tick", "middle")
        for at_s in ink.ticks(0.0, end_s, 10)
    ]
    drawn.append(ink.label((_WIDTH / 2, place(0.0, 0.0)[1] + 34), "flight time in s", "tick", "middle"))
    return drawn


def _gap(found: Found, place: Place) -> list[str]:
    """Between the last moment that was open and the first from which on it was all but certain."""
    certain, still_open = found.from_moment, found.open_moment
    if still_open is None:
        return []
    until_s = found.end_tick / 100 if certain is None else certain.at_s
    (left, top), (right, bottom) = place(still_open.at_s, 1.0), place(until_s, 0.0)
    return [ink.rectangle((left, top), max(right - left, 1.5), bottom - top, "leg-band")]
