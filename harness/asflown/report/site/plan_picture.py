"""The plan view as a picture of its own, for pull requests: verdict and reason above it, what lines mean beneath.

SVG needs nothing. PNG, for places that show no SVG, is drawn from it by resvg, an extra; its words need a font of the
machine (DejaVu, Liberation, Noto or Arial), the lines need none.
"""

from __future__ import annotations

from asflown.errors import UsageError
from asflown.report.findings import findings
from asflown.report.flown import Flown
from asflown.report.site import ink
from asflown.report.site.plan_view import WIDTH, plan_view
from asflown.report.site.story import Story
from asflown.report.words import SIGNS

_HEAD, _FOOT = 58.0, 30.0
_MOST_LETTERS = 110
_ZOOM = 2.0
_KEY = (
    ("planned", "expected"),
    ("track inside", "within half of the limit"),
    ("track near", "within the limit"),
    ("track beyond", "beyond it"),
    ("track truth", "where it truly was"),
)


def plan_picture(story: Story) -> str | None:
    """The picture as SVG; None where there is nothing to draw."""
    drawn = plan_view(story)
    if drawn is None:
        return None
    flown = story.flown
    height = _HEAD + drawn[1].height + _FOOT
    heading = f"{flown.verdict}: {flown.name}"
    inner = str(drawn[0]).replace(
        "<svg ", f'<svg y="{ink.number(_HEAD)}" width="{WIDTH:g}" height="{drawn[1].height:.2f}" ', 1
    )
    parts = [
        ink.label((12, 24), SIGNS[flown.verdict], f"title {flown.verdict}"),  # often of another font
        ink.label((32, 24), _short(heading, 74), f"title {flown.verdict}"),
        ink.label((12, 44), _short(_reason(flown), _MOST_LETTERS), "reason"),
        inner,
        *_key(story, height - 12),
    ]
    return ink.standalone(ink.picture(parts, WIDTH, height, f"{heading}. {_reason(flown)}"))


def png(svg: str) -> bytes:
    """The picture as PNG, twice as large. Raises UsageError where the extra is not installed."""
    try:
        import resvg_py  # noqa: PLC0415  an extra that most do without
    except ImportError as error:
        raise UsageError(
            "PNG needs the package resvg-py", "Install `asflown[png]`, or take the SVG"
        ) from error
    return bytes(resvg_py.svg_to_bytes(svg_string=svg, zoom=_ZOOM))


def _reason(flown: Flown) -> str:
    told = [one.headline for one in findings(flown) if one.verdict != "pass"]
    return told[0] if told else "everything held"


def _key(story: Story, y: float) -> list[str]:
    """What the lines mean, as far as the picture has them."""
    drawn, x = [], 12.0
    for classes, says in _KEY:
        if (classes == "track truth" and story.truth is None) or (
            classes.startswith("track ") and classes != "track truth" and story.corridor_m is None
        ):
            continue
        drawn.append(ink.polyline([(x, y - 4), (x + 24, y - 4)], classes))
        drawn.append(ink.label((x + 29, y), says))
        x += 44 + 6.2 * len(says)
    return drawn


def _short(text: str, most: int) -> str:
    plain = " ".join(text.split())
    return plain if len(plain) <= most else f"{plain[: most - 1]}…"
