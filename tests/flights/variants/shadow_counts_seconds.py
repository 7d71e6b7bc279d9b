"""Wrong on purpose: it flies by the clock, as if the craft had gone on in the shadow."""

import importlib.util
import math
import time
from pathlib import Path

DEMO = Path(__file__).parents[3] / "scenarios" / "radio_shadow" / "radio_shadow.py"
spec = importlib.util.spec_from_file_location("radio_shadow", DEMO)
assert spec is not None
assert spec.loader is not None
radio_shadow = importlib.util.module_from_spec(spec)
spec.loader.exec_module(radio_shadow)


def lead_blindly(craft: object, goal: tuple[float, float, float], seconds: float = 90) -> None:
    """Flies for as long as the way should take."""
    here = craft.wait("LOCAL_POSITION_NED", lambda message: True, 5)  # type: ignore[attr-defined]
    away = (goal[0] - here.x, goal[1] - here.y, goal[2] - here.z)
    distance = math.hypot(*away)
    end = time.monotonic() + distance / radio_shadow.SPEED
    while time.monotonic() < end:
        craft.velocity(*(radio_shadow.SPEED * part / distance for part in away))  # type: ignore[attr-defined]
        craft.next("LOCAL_POSITION_NED")  # type: ignore[attr-defined]


radio_shadow.lead = lead_blindly  # type: ignore[attr-defined]
radio_shadow.main()
