"""Wrong on purpose: it flies at 4 m/s what is planned at 2 m/s, and raises the craft's own limit to do so."""

import importlib.util
import sys
from pathlib import Path

DEMO = Path(__file__).parents[3] / "scenarios" / "nest_boxes" / "nest_boxes.py"
spec = importlib.util.spec_from_file_location("nest_boxes", DEMO)
assert spec is not None
assert spec.loader is not None
nest_boxes = importlib.util.module_from_spec(spec)
spec.loader.exec_module(nest_boxes)

craft = nest_boxes.Craft(sys.argv[2])
craft.wait("HEARTBEAT", nest_boxes.is_ready, 60, "the craft never became ready")
craft.link.param_set_send("speed.travel", 4.0)
craft.wait("PARAM_VALUE", lambda answer: answer.param_id == "speed.travel", 10, "no answer")
nest_boxes.fly(craft, speed=4.0)
