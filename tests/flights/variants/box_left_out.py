"""Wrong on purpose: the third box is left out."""

import importlib.util
import sys
from pathlib import Path

DEMO = Path(__file__).parents[3] / "scenarios" / "nest_boxes" / "nest_boxes.py"
spec = importlib.util.spec_from_file_location("nest_boxes", DEMO)
assert spec is not None
assert spec.loader is not None
nest_boxes = importlib.util.module_from_spec(spec)
spec.loader.exec_module(nest_boxes)

boxes = [box for number, box in enumerate(nest_boxes.BOXES, 1) if number != 3]
nest_boxes.fly(nest_boxes.Craft(sys.argv[2]), boxes=boxes)
