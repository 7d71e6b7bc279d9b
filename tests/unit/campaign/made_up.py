"""Campaigns and outcomes made up for tests."""

from __future__ import annotations

from typing import Any

from asflown.campaign.flying import Outcome
from asflown.scenario.campaign import Campaign

VARY: dict[str, Any] = {
    "conditions.wind.speed": {"uniform": ["0 m/s", "6 m/s"]},
    "start.battery": {"normal": {"mean": "90 %", "deviation": "5 %", "between": ["70 %", "100 %"]}},
    "conditions.radio": {"choice": ["ideal", "sub-ghz-telemetry"]},
}


def campaign(flights: int = 40, **changes: Any) -> Campaign:
    """Wind, battery and radio."""
    return Campaign.model_validate({"flights": flights, "vary": VARY} | changes)


def outcome(
    number: int, wind: float, margin: float | None, radio: str = "ideal", verdict: str = ""
) -> Outcome:
    """A flight in this wind with this worst margin; it passes where that is not negative."""
    said = verdict or ("error" if margin is None else "pass" if margin >= 0 else "fail")
    given = {"conditions.wind.speed": f"{wind:g} m/s", "conditions.radio": radio}
    margins = {} if margin is None else {"cross_track_p95": margin, "duration": 0.9}
    return Outcome(number, 1000 + number, given, said, "", margins)  # type: ignore[arg-type]
