"""Wrong on purpose: north and east are mixed up in every set-point."""

import importlib.util
import sys
from pathlib import Path

DEMO = Path(__file__).parents[3] / "scenarios" / "nest_boxes" / "nest_boxes.py"
spec = importlib.util.spec_from_file_location("nest_boxes", DEMO)
assert spec is not None
assert spec.loader is not None
nest_boxes = importlib.util.module_from_spec(spec)
spec.loader.exec_module(nest_boxes)


class Swapped(nest_boxes.Craft):  # type: ignore[misc, name-defined]
    """Takes north for east and east for north, when it sends and when it looks."""

    def fly_to(self, north: float, east: float, down: float, seconds: float = 25.0) -> None:
        """Flies to the wrong place."""
        super().fly_to(east, north, down, seconds)

    def stay(self, north: float, east: float, down: float, seconds: float) -> None:
        """Stays at the wrong place."""
        super().stay(east, north, down, seconds)


nest_boxes.fly(Swapped(sys.argv[2]))
