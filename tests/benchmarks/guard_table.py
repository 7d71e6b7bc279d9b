"""Writes the table of harness/docs/guard.md: every injected situation, flown, with what the guard did and when.

    .venv/bin/python -m tests.benchmarks.guard_table          prints it
    .venv/bin/python -m tests.benchmarks.guard_table --write  puts it into the guide

Flight time, so that the speed of the machine makes no difference; the situations are those of tests/flights/test_guard.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

from tests.flights.guarded import Kit
from tests.flights.situations import SITUATIONS

GUIDE = Path(__file__).parents[2] / "harness" / "docs" / "guard.md"
BEGIN, END = "<!-- table: begin -->\n", "<!-- table: end -->\n"
ENDS = {
    "home": "on the ground at home",
    "there": "on the ground where it was",
    "pilot": "in the pilot's hands",
    "script": "flown on by the script",
}


def rows() -> Iterator[str]:
    """A line of Markdown for each situation."""
    yield "| situation | what was said | first after | end | script |\n|---|---|---|---|---|\n"
    for situation in SITUATIONS:
        kit = Kit(situation)
        kit.run()
        wrong = (kit.said, kit.end, kit.cut) != (situation.expect, situation.end, situation.cut)
        reaction_s = kit.reaction_s()
        after = "no reaction" if reaction_s is None else f"{reaction_s:.2f} s"
        said = "; ".join(kit.said) or "nothing"
        cut = "cut off" if kit.cut else "goes on"
        mark = " **not as expected**" if wrong else ""
        yield f"| {situation.name}{mark} | {said} | {after} | {ENDS[kit.end]} | {cut} |\n"


def main() -> int:
    """Prints the table or writes it."""
    table = "".join(rows())
    if "--write" not in sys.argv:
        print(table, end="")
        return 0
    text = GUIDE.read_text(encoding="utf-8")
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    GUIDE.write_text(before + BEGIN + table + END + after, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
