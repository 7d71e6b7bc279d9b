"""Wrong on purpose: it flies the rows at 2.4 m, among the lamps."""

import importlib.util
import sys
from pathlib import Path

DEMO = Path(__file__).parents[3] / "scenarios" / "glasshouse_rows" / "glasshouse_rows.py"
spec = importlib.util.spec_from_file_location("glasshouse_rows", DEMO)
assert spec is not None
assert spec.loader is not None
glasshouse_rows = importlib.util.module_from_spec(spec)
spec.loader.exec_module(glasshouse_rows)

glasshouse_rows.fly(glasshouse_rows.Craft(sys.argv[2]), glasshouse_rows.corners(), height=2.4)
