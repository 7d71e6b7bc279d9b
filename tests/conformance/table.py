"""Writes the conformance table from a run: `python -m tests.conformance.table` prints it.

The vehicle is the real one (palm80, seed 1), flown by messages alone. What stands in the table was observed; the
only words of our own are the headings and the names of the cases.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

from pymavlink.dialects.v20 import common as mav
from pymavlink.dialects.v20 import development

from asflown.scenario.model import Identity
from asflown.sim.craft import Craft
from asflown.sim.report_table import REPORTS
from tests.conformance.cases import COMMANDS, FRAMES, MESSAGES, PLAN_TYPES
from tests.unit.sim.rig import EPOCH_US, SETUP, Rig

RESULT_9 = "COMMAND_UNSUPPORTED_MAV_FRAME (9)"
_FRAMES_ON_A_BATTERY = 6
STREAMS = {message_id: report.interval_us for message_id, report in REPORTS.items()}
INTRODUCTION = """\
# What the built-in vehicle does with MAVLink

Written by `python -m tests.conformance.table` from a run of palm80, release r1; a test writes it again and
compares. Everything in the tables was observed. Messages are those of the `common` definitions (AVAILABLE_MODES,
AVAILABLE_MODES_MONITOR and CURRENT_MODE: of `development`, the standard's own superset) as pymavlink ships them.
"""


class Flown(Rig):
    """A ground program and the real vehicle, its motors still, or in the air at 5 m."""

    def __init__(self, *, in_air: bool) -> None:
        super().__init__()
        self.craft = Craft(SETUP, Identity(), epoch_us=EPOCH_US)
        self.core = self.craft.core  # type: ignore[assignment]
        self.run(5.0)
        if in_air:
            self.command(mav.MAV_CMD_COMPONENT_ARM_DISARM, 1)
            self.command(mav.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, 5.0)
            self.run(12.0)

    def mode_words(self) -> str:
        """The mode that flies."""
        return self.craft.autopilot.mode.name.words


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A Markdown table."""
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    lines += ["| " + " | ".join(cell.replace("|", "/") for cell in row) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def name_of(enumeration: str, number: int, prefix: str) -> str:
    """The name of an entry without its prefix."""
    entry = mav.enums[enumeration].get(number)
    return (
        RESULT_9 if entry is None or entry.name.endswith("ENUM_END") else str(entry.name).removeprefix(prefix)
    )


def result_name(number: int) -> str:
    """A MAV_RESULT."""
    return name_of("MAV_RESULT", number, "MAV_RESULT_")


def texts_of(reply: list[Any]) -> list[str]:
    """Every text, chunks put together."""
    found: dict[int, str] = {}
    for index, message in enumerate(reply):
        if message.get_type() == "STATUSTEXT":
            key = -message.id if message.id else index
            found[key] = found.get(key, "") + message.text
    return list(dict.fromkeys(found.values()))


def told(reply: list[Any], besides: Iterable[str] = ()) -> str:
    """What came back that does not come by itself: kinds of messages, and words."""
    by_itself = {"HEARTBEAT", "COMMAND_ACK", *besides}
    kinds = {name for name in (m.get_type() for m in reply) if name not in by_itself}
    kinds -= {
        development.mavlink_map[number].msgname for number, interval_us in STREAMS.items() if interval_us
    }
    texts = sorted(texts_of(reply))
    parts = sorted(kinds - {"STATUSTEXT"}) + [f"“{text}”" for text in texts]
    return "; ".join(parts)


def command_rows() -> Iterable[tuple[str, str, str, str, str]]:
    """Each command that is known, in each case."""
    for case in COMMANDS:
        rig = Flown(in_air=case.in_air)
        before = len(rig.heard)
        if case.frame is None:
            result = rig.command(case.number, *case.params)
        else:
            x, y = (0x7FFF_FFFF if math.isnan(v) else round(v * 1e7) for v in case.params[4:6])
            result = rig.command_int(case.number, case.frame, case.params[:4], x, y, case.params[6])
        rig.run(1.0)
        observed = [told(rig.heard[before:]), f"mode: {rig.mode_words()}" if case.in_air else ""]
        form = "COMMAND_LONG" if case.frame is None else "COMMAND_INT"
        name = name_of("MAV_CMD", case.number, "MAV_CMD_") if case.number != 262 else "DO_SET_STANDARD_MODE"
        what = ("in the air: " if case.in_air else "on the ground: ") + case.what
        yield f"{name} ({case.number})", form, what, result_name(result), "; ".join(filter(None, observed))


def unknown_commands() -> tuple[dict[str, list[str]], int]:
    """Every other command of the definitions, by its result, and how many there are."""
    rig = Flown(in_air=False)
    known = {case.number for case in COMMANDS}
    found: dict[str, list[str]] = {}
    numbers = [number for number in sorted(mav.enums["MAV_CMD"]) if number not in known]
    for number in numbers:
        entry = mav.enums["MAV_CMD"][number].name
        if entry.endswith("ENUM_END"):
            continue
        found.setdefault(result_name(rig.command(number)), []).append(entry.removeprefix("MAV_CMD_"))
    return found, sum(map(len, found.values()))


def message_rows() -> Iterable[tuple[str, str, str]]:
    """Each message that is handled, in each case."""
    for case in MESSAGES:
        rig = Flown(in_air=case.in_air)
        before = len(rig.heard)
        for message in case.messages:
            rig.send(message)
            rig.run(0.05)
        rig.run(case.seconds)
        said = told(rig.heard[before:], besides=case.besides) or "nothing is said"
        seen = case.look(rig) if case.look is not None else ""
        yield case.messages[0].get_type(), case.what, "; ".join(filter(None, (said, seen)))


def default_of(kind: Any) -> Any:
    """A message of this class with zeros in all fields."""
    fields: list[Any] = []
    for name, kind_of_field, length in zip(
        kind.fieldnames, kind.fieldtypes, (kind.array_lengths[kind.orders[i]] for i in range(len(kind.fieldnames))),
        strict=True,
    ):  # fmt: skip
        fields.append(b"" if kind_of_field == "char" and name else [0] * length if length else 0)
    return kind(*fields)


def ignored_messages() -> list[str]:
    """Every other message of the definitions that was sent and changed nothing: no word, no mode, no answer."""
    rig = Flown(in_air=False)
    handled = set(rig.craft._handlers)
    ignored = []
    for number, kind in sorted(mav.mavlink_map.items()):
        if number in handled:
            continue
        before = len(rig.heard)
        rig.send(default_of(kind))
        rig.run(0.05)
        assert told(rig.heard[before:]) == "", kind.msgname
        ignored.append(kind.msgname)
    return ignored


def report_rows() -> Iterable[tuple[str, str, str, str]]:
    """Each message that can be sent: how often by itself in the air, and on request there and on the ground."""
    ground, air = Flown(in_air=False), Flown(in_air=True)
    before = len(air.heard)
    air.run(20.0)
    counts: dict[str, int] = {}
    for message in air.heard[before:]:
        counts[message.get_type()] = counts.get(message.get_type(), 0) + 1
    for number in REPORTS:
        kinds = mav.mavlink_map if number in mav.mavlink_map else development.mavlink_map
        name = kinds[number].msgname
        rate = f"{counts.get(name, 0) / 20:g}"
        yield name, rate, *(result_name(rig.command(512, number)) for rig in (ground, air))


def frame_rows() -> Iterable[tuple[str, str, str]]:
    """Set-points in every frame, by each of the two messages."""
    rig = None
    for position, (number, name) in enumerate(FRAMES.items()):
        if rig is None or position % _FRAMES_ON_A_BATTERY == 0:
            rig = Flown(in_air=True)
            rig.command(mav.MAV_CMD_DO_SET_MODE, 1, 4302)
        yield f"{name} ({number})", _followed(rig, number, local=True), _followed(rig, number, local=False)


def _followed(rig: Flown, frame: int, *, local: bool) -> str:
    before, here = len(rig.heard), rig.place
    rig.send(_set_point(rig, frame, -3.0 if here[0] > 0.0 else 3.0, local=local))
    rig.run(5.0)
    moved = math.dist(rig.place, here) > 1.0
    return "followed" if moved else told(rig.heard[before:]) or "not followed"


def _set_point(rig: Flown, frame: int, side_m: float, *, local: bool) -> Any:
    if local:
        return mav.MAVLink_set_position_target_local_ned_message(
            0, 1, 1, frame, 0xDFC, side_m, side_m, 0, 0, 0, 0, 0, 0, 0, 0, 0
        )
    latitude_deg, longitude_deg, _ = rig.craft.autopilot.situation.plane().to_geodetic(side_m, side_m, 0)
    place = round(latitude_deg * 1e7), round(longitude_deg * 1e7)
    return mav.MAVLink_set_position_target_global_int_message(
        0, 1, 1, frame, 0xDF8, *place, 5.0, 0, 0, 0, 0, 0, 0, 0, 0
    )


def plan_items() -> Iterable[tuple[str, str]]:
    """Which commands each kind of plan takes."""
    for mission_type, (name, first) in PLAN_TYPES.items():
        rig, taken = Rig(), []
        for number in sorted(mav.enums["MAV_CMD"]):
            rig.ask(mav.MAVLink_mission_count_message(1, 1, 1, mission_type))
            params = (first, 0, 0, 0)
            item = (0, 3, number, 0, 1, *params, 520_000_000, 45_000_000, 5.0, mission_type)
            reply = rig.ask(mav.MAVLink_mission_item_int_message(1, 1, *item))
            result = next(m.type for m in reply if m.get_type() == "MISSION_ACK")
            if result != mav.MAV_MISSION_UNSUPPORTED:
                taken.append(mav.enums["MAV_CMD"][number].name.removeprefix("MAV_CMD_"))
        yield name, ", ".join(taken)


def parameter_rows() -> Iterable[tuple[str, str, str]]:
    """Every parameter as the protocol lists it."""
    rig = Rig()
    rig.send(mav.MAVLink_param_request_list_message(1, 1))
    rig.run(1.5)
    for message in rig.of_type("PARAM_VALUE"):
        kind = name_of("MAV_PARAM_TYPE", message.param_type, "MAV_PARAM_TYPE_")
        yield str(message.param_index), message.param_id, kind


def document() -> str:
    """The whole text."""
    others, count = unknown_commands()
    head = ("command", "sent as", "case", "result", "what followed within a second")
    parts = [INTRODUCTION, "## Commands that are known\n", table(head, command_rows())]
    parts.append(f"## All other commands of the definitions ({count})\n\nSent on the ground with zeros.\n")
    parts += [f"{result}: {', '.join(names)}.\n" for result, names in sorted(others.items())]
    parts += ["## Messages that are handled\n", table(("message", "case", "observed"), message_rows())]
    ignored = ignored_messages()
    parts.append(f"## Messages that are ignored ({len(ignored)})\n\nSent with zeros; no answer, no change.\n")
    parts.append(", ".join(ignored) + ".\n")
    parts.append("## Messages that are sent\n")
    parts.append(
        table(("message", "Hz in the air, unasked", "requested on the ground", "in the air"), report_rows())
    )
    parts += ["## Frames of set-points\n", table(("frame", "local message", "global message"), frame_rows())]
    parts += ["## Items of plans\n", table(("plan", "commands it takes"), plan_items())]
    parts += ["## Parameters\n", table(("index", "name", "type"), parameter_rows())]
    return "\n".join(parts)


if __name__ == "__main__":
    print(document(), end="")
