"""Wrong on purpose: the next row is taken to be on the left."""

import importlib.util
import sys
from pathlib import Path

DEMO = Path(__file__).parents[3] / "scenarios" / "glasshouse_rows" / "glasshouse_rows.py"
spec = importlib.util.spec_from_file_location("glasshouse_rows", DEMO)
assert spec is not None
assert spec.loader is not None
glasshouse_rows = importlib.util.module_from_spec(spec)
spec.loader.exec_module(glasshouse_rows)

places = [(forward, -right) for forward, right in glasshouse_rows.corners()]
glasshouse_rows.fly(glasshouse_rows.Craft(sys.argv[2]), places)
