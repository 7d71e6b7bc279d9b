"""Wrong on purpose: as soon as the craft is not heard for a second it is told to land where it is."""

import importlib.util
from pathlib import Path

DEMO = Path(__file__).parents[3] / "scenarios" / "radio_shadow" / "radio_shadow.py"
spec = importlib.util.spec_from_file_location("radio_shadow", DEMO)
assert spec is not None
assert spec.loader is not None
radio_shadow = importlib.util.module_from_spec(spec)
spec.loader.exec_module(radio_shadow)


class Anxious(radio_shadow.Craft):  # type: ignore[misc, name-defined]
    """Does not wait for the craft to come out of the shadow."""

    def next(self, kind: str, seconds: float = 0.3) -> object:
        """Ends the flight when nothing is heard."""
        message = super().next(kind, max(seconds, 1.0))
        if message is None and kind == "LOCAL_POSITION_NED":
            radio_shadow.come_down(self)
            raise SystemExit(0)
        return message


radio_shadow.Craft = Anxious  # type: ignore[attr-defined]
radio_shadow.main()
