"""Soak: eight hours of flight in lockstep by one process, and twenty minutes in wall time with five stations.

    python -m tests.benchmarks.soak [lockstep] [paced] [--rounds 24] [--minutes 20] [--out DIR] [--page] [--drawn]

About half an hour each. A round flies all demo scenarios as often as their files say, 20 minutes of flight. Everything
that was seen is kept in DIR; --drawn judges what lies there instead of flying. With --page, tables and curves go into
harness/docs/soak.md. Exit code 1 when something grew beyond its bound, a sum is wrong, or a flight did not end well.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter
from pathlib import Path

from tests.benchmarks import soak_looks, soak_paced
from tests.benchmarks.page import DOCS, put, table
from tests.benchmarks.soak_lockstep import fly_for_hours
from tests.benchmarks.soak_looks import Curve

LOCKSTEP_MIB, PACED_MIB = 16.0, 8.0
"""How much more memory a process may hold in the last quarter than in the first: a run keeps what it is to tell of each
of its flights, some ten kilobytes; in one flight nothing needs more as it goes on."""


def lockstep(out: Path, rounds: int) -> dict[str, object]:
    """Flies; what is said of it."""
    found = fly_for_hours(out, rounds)
    soak_looks.keep(found.curves, out / "curves.json")
    return {
        "exit_code": found.exit_code,
        "verdicts": dict(found.verdicts),
        "flight_time_s": found.flight_time_s,
        "wall_time_s": found.wall_time_s,
    }


def paced(out: Path, minutes: float) -> dict[str, object]:
    """The same in wall time."""
    found = soak_paced.soak(out, 60 * minutes)
    soak_looks.keep(found.curves, out / "curves.json")
    return {"exit_code": found.flown, "minutes": minutes, "sums": soak_paced.sums(found)}


def told_lockstep(facts: dict[str, object], curves: dict[str, Curve]) -> tuple[str, list[str]]:
    """The text, and what is wrong."""
    verdicts = Counter({str(key): int(count) for key, count in dict(facts["verdicts"]).items()})  # type: ignore[call-overload]
    hours, wall_s = float(str(facts["flight_time_s"])) / 3600, float(str(facts["wall_time_s"]))
    words = (
        f"{verdicts.total()} flights, {hours:.1f} hours of flight in {wall_s / 60:.0f} minutes, by one `asflown fly`. "
        f"Exit code {facts['exit_code']}; {', '.join(f'{count} {word}' for word, count in sorted(verdicts.items()))}. "
        f"Allowed growth: {LOCKSTEP_MIB:.0f} MiB."
    )
    wrong = [] if facts["exit_code"] == 0 else [f"exit code {facts['exit_code']}"]
    return words, wrong + _grown(curves, LOCKSTEP_MIB)


def told_paced(facts: dict[str, object], curves: dict[str, Curve]) -> tuple[str, list[str]]:
    """The text, and what is wrong."""
    rows = [[str(cell) for cell in row] for row in list(facts["sums"])]  # type: ignore[call-overload]
    wrong = [f"{row[0]}: {row[1]} and {row[2]}" for row in rows if row[3] != "yes"]
    if facts["exit_code"] != 0:
        wrong.append(f"the harness ended with {facts['exit_code']}")
    words = (
        f"{facts['minutes']} minutes of wall time; allowed growth: {PACED_MIB:.0f} MiB. The sums:\n\n"
        f"{table(['what, and what it must equal', 'one', 'the other', 'equal'], rows)}"
    )
    return words, wrong + _grown(curves, PACED_MIB)


def _grown(curves: dict[str, Curve], bound_mib: float) -> list[str]:
    return [wrong for name, curve in curves.items() for wrong in curve.wrong(name, bound_mib)]


def main() -> int:
    """Soaks, judges, prints, and puts it on the page."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("parts", nargs="*", choices=("lockstep", "paced"), default=["lockstep", "paced"])
    parser.add_argument("--rounds", type=int, default=24)
    parser.add_argument("--minutes", type=float, default=20)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--page", action="store_true")
    parser.add_argument("--drawn", action="store_true", help="judge what lies in --out")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="asflown-soak-") as name:
        results = [
            soaked(part, (options.out or Path(name)).resolve() / part, options) for part in options.parts
        ]
    return 0 if all(results) else 1


def soaked(part: str, out: Path, options: argparse.Namespace) -> bool:
    """One half; whether all is well."""
    out.mkdir(parents=True, exist_ok=True)
    if not options.drawn:
        facts = lockstep(out, options.rounds) if part == "lockstep" else paced(out, options.minutes)
        (out / "facts.json").write_text(json.dumps(facts), encoding="utf-8")
    facts, curves = (
        json.loads((out / "facts.json").read_text(encoding="utf-8")),
        soak_looks.kept(out / "curves.json"),
    )
    words, wrong = (told_lockstep if part == "lockstep" else told_paced)(facts, curves)
    rows = [curve.told(name) for name, curve in curves.items()]
    verdict = "**Within its bounds.**" if not wrong else "**Not as it must be:** " + "; ".join(wrong)
    picture = f"![Memory, descriptors, threads and children over time, {part}](soak/{part}.png)"
    text = f"{words}\n\n{table(soak_looks.HEADS, rows)}\n\n{verdict}\n\n{picture}"
    print(text, flush=True)
    if options.page:
        put("soak.md", f"soak.py {part}", text)
        soak_looks.draw(curves, DOCS / "soak" / f"{part}.png", f"Soak, {part}")
    return not wrong


if __name__ == "__main__":
    sys.exit(main())
