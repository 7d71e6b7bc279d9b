"""Wrong on purpose: at the reserve it lands where it is, and somebody has to walk."""

import importlib.util
import sys
from pathlib import Path

DEMO = Path(__file__).parents[3] / "scenarios" / "low_battery_walk_back" / "low_battery_walk_back.py"
spec = importlib.util.spec_from_file_location("low_battery_walk_back", DEMO)
assert spec is not None
assert spec.loader is not None
low_battery_walk_back = importlib.util.module_from_spec(spec)
spec.loader.exec_module(low_battery_walk_back)

low_battery_walk_back.fly(low_battery_walk_back.Craft(sys.argv[2]), walk_back=False)
