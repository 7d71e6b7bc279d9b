"""Wrong on purpose: it circles to the left."""

import importlib.util
import sys
from pathlib import Path

DEMO = Path(__file__).parents[3] / "scenarios" / "mast_circle" / "mast_circle.py"
spec = importlib.util.spec_from_file_location("mast_circle", DEMO)
assert spec is not None
assert spec.loader is not None
mast_circle = importlib.util.module_from_spec(spec)
spec.loader.exec_module(mast_circle)

mast_circle.fly(mast_circle.Craft(sys.argv[2]), radius=-mast_circle.RADIUS)
