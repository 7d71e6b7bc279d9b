"""`asflown baseline`: proposes, shows, compares, approves and retires baselines; git says who did."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from asflown.cli.parsing import SubParsers, command

if TYPE_CHECKING:
    from asflown.change.baseline_model import Baseline

DESCRIPTION = """\
A baseline is what approved flights of a scenario on a vehicle and release line were like: a text
file in the folder `baseline` beside the scenario, to be reviewed and committed. `asflown fly
--against-baseline` holds flights against it.
"""

EXAMPLES = """\
examples:
  asflown baseline propose nest-boxes/palm80@r1   from the flights of its newest state
  asflown baseline diff scenarios/nest_boxes      what the proposal changes (--text: as git shows it)
  asflown baseline approve scenarios/nest_boxes   make the proposal the baseline; commit it
  asflown baseline check nest-boxes/palm80@r2 --line r1
                                                  what is different in flights that were flown?
  asflown baseline show scenarios                 all there are, and who approved them
  asflown baseline retire FILE                    no longer hold flights against it
"""


ACTION_EXAMPLES = {
    "propose": """\
  asflown baseline propose nest-boxes/palm80@r1        from the flights of its newest state
  asflown baseline propose .asflown/flights/*nest-boxes*
""",
    "check": """\
  asflown baseline check nest-boxes/palm80@r2 --line r1
  asflown baseline check .asflown/flights/*nest-boxes* --json differences.json
""",
    "show": """\
  asflown baseline show scenarios
""",
    "diff": """\
  asflown baseline diff scenarios/nest_boxes           what the proposal changes
  asflown baseline diff scenarios/nest_boxes --text    as a pull request shows it
""",
    "approve": """\
  asflown baseline approve scenarios/nest_boxes        then commit the file
  asflown baseline approve scenarios/nest_boxes --wider cross_track_p95
""",
    "retire": """\
  asflown baseline retire scenarios/nest_boxes/baseline
""",
}


def add_parser(commands: SubParsers) -> None:
    """Adds `baseline` to the command."""
    parser = command(
        commands,
        "baseline",
        "what approved flights were like, kept as text for review",
        DESCRIPTION,
        EXAMPLES,
    )
    actions = parser.add_subparsers(title="what to do", metavar="WHAT", required=True)
    propose = _action(actions, "propose", "write a proposal from flights, all of which must have passed")
    check = _action(
        actions, "check", "hold recorded flights against their baseline; exit code 1 when they differ"
    )
    for action in (propose, check):
        action.add_argument(
            "flights", nargs="+", metavar="FLIGHTS", help="flights' folders, or scenario/vehicle@release"
        )
        action.add_argument(
            "--keep", type=Path, metavar="DIR", help="where the flights are (.asflown/flights)"
        )
    check.add_argument("--line", default="", metavar="LINE", help="of this release line instead of their own")
    check.add_argument("--json", type=Path, metavar="FILE", help="write every number as JSON")
    for name, says in (
        ("show", "show approved baselines, and who approved them"),
        ("diff", "show what proposals change"),
        ("approve", "make proposals the baselines"),
        ("retire", "remove baselines"),
    ):
        action = _action(actions, name, says)
        action.add_argument(
            "places",
            nargs="+",
            type=Path,
            metavar="PLACE",
            help="a baseline's file, or a folder with some below",
        )
        if name == "diff":
            action.add_argument("--text", action="store_true", help="as a pull request shows it")
            action.add_argument(
                "--with",
                dest="other",
                type=Path,
                metavar="FILE",
                help="another baseline, instead of the proposal",
            )
        if name == "approve":
            action.add_argument(
                "--wider",
                action="append",
                default=[],
                metavar="NAME",
                help="accept that this tolerance is wider than it was; once for each",
            )


def _action(actions: SubParsers, name: str, says: str) -> argparse.ArgumentParser:
    examples = f"examples:\n{ACTION_EXAMPLES[name]}"
    parser = command(actions, name, says, f"{says[:1].upper()}{says[1:]}.", examples)
    parser.set_defaults(run=run, what=name)
    return parser


def run(options: argparse.Namespace) -> int:
    """Does what was asked for; returns the exit code. Raises UsageError."""
    return _DONE_BY[options.what](options)


def _propose(options: argparse.Namespace) -> int:
    from asflown.change import baseline_places as places
    from asflown.change.baseline_make import make_baseline
    from asflown.change.baseline_model import baseline_text
    from asflown.change.sets import load_set
    from asflown.record.folder import FLIGHTS
    from asflown.report import atomic

    flights = load_set(options.flights, options.keep or FLIGHTS)
    for note in flights.notes:
        print(f"note: {note}")
    made = make_baseline(flights)
    folder = Path(flights.flights[0].manifest.scenario_file).parent
    approved = places.file_for(folder, made.scenario, made.vehicle, made.release)
    proposal = places.proposal_for(approved)
    atomic.write_text(proposal, baseline_text(made))
    print(f"proposed from {len(flights)} flights: {proposal}")
    return _print_diffs([proposal], text=False)


def _check(options: argparse.Namespace) -> int:
    import json

    from asflown.change.baseline_judge import judge_against
    from asflown.change.baseline_places import baseline_for
    from asflown.change.sets import load_set
    from asflown.errors import ExitCode, UsageError
    from asflown.record.folder import FLIGHTS
    from asflown.report import atomic, baseline_view, terminal

    flights = load_set(options.flights, options.keep or FLIGHTS)
    folder, kind = Path(flights.flights[0].manifest.scenario_file).parent, flights.kind
    release = options.line or kind.release
    kept = baseline_for(folder, kind.scenario, kind.vehicle, release)
    if kept is None:
        of = f"{kind.scenario} on {kind.vehicle}{'@' if release else ''}{release}"
        raise UsageError(f"there is no approved baseline of {of} in {folder}", "Name another one with --line")
    found = judge_against(kept, flights)
    if options.json is not None:
        atomic.write_text(options.json, json.dumps(baseline_view.against_data(found), indent=2) + "\n")
    baseline_view.show_against(found, terminal.console())
    return int(ExitCode.FAILED if found.conclusion == "different" else ExitCode.PASSED)


def _show(options: argparse.Namespace) -> int:
    from asflown.change import baseline_places as places
    from asflown.change.baseline_model import read_baseline
    from asflown.report import baseline_view, terminal

    out = terminal.console()
    for file in places.approved_below(options.places):
        out.print(f"{file}", soft_wrap=True)
        baseline_view.show_baseline(read_baseline(file), places.approved_by(file), out)
    return 0


def _diff(options: argparse.Namespace) -> int:
    if options.other is None:
        return _print_diffs(_proposals(options.places), text=options.text)
    return _print_diff_of(options.places, options.other, text=options.text)


def _print_diff_of(places: list[Path], other: Path, *, text: bool) -> int:
    from asflown.change.baseline_model import read_baseline
    from asflown.errors import UsageError

    if len(places) != 1 or not places[0].is_file():
        raise UsageError("--with compares one baseline with another", "Name the one file before it")
    _print_one(read_baseline(places[0]), read_baseline(other), other.name, text=text)
    return 0


def _print_diffs(proposals: list[Path], *, text: bool) -> int:
    from asflown.change.baseline_model import read_baseline

    for proposal in proposals:
        approved = _approved_of(proposal)
        before = read_baseline(approved) if approved.is_file() else None
        _print_one(before, read_baseline(proposal), approved.name, text=text)
    return 0


def _print_one(before: Baseline | None, after: Baseline, name: str, *, text: bool) -> None:
    from asflown.change.baseline_diff import diff_baselines, text_diff
    from asflown.report import baseline_view, terminal

    out = terminal.console()
    if text:
        print(text_diff(before, after, name), end="")
    elif before is None:
        out.print(f"the first baseline of {after.title}")
        baseline_view.show_baseline(after, "nobody yet", out)
    else:
        out.print(f"{after.title}, against what is approved of {before.title}")
        baseline_view.show_diff(diff_baselines(before, after), out)


def _approve(options: argparse.Namespace) -> int:
    from asflown.change.baseline_model import read_baseline

    proposals = _proposals(options.places)
    for proposal in proposals:
        _check_wider(_approved_of(proposal), read_baseline(proposal), options.wider)
    for proposal in proposals:
        print(f"approved: {proposal.replace(_approved_of(proposal))}")
    print("commit it: git tells who approved")
    return 0


def _check_wider(approved: Path, after: Baseline, accepted: list[str]) -> None:
    """Raises UsageError where a tolerance is wider than it was, and nobody said that this is meant."""
    from asflown.change.baseline_diff import diff_baselines
    from asflown.change.baseline_model import read_baseline
    from asflown.errors import UsageError

    if not approved.is_file():
        return
    found = diff_baselines(read_baseline(approved), after)
    silent = [
        (name, says) for name, says in zip(found.wider, found.wider_says, strict=True) if name not in accepted
    ]
    if silent:
        options = " ".join(f"--wider '{name}'" if " " in name else f"--wider {name}" for name, _ in silent)
        raise UsageError(
            f"{after.title}: {'; '.join(says for _, says in silent)}", f"If that is meant, say so: {options}"
        )


def _retire(options: argparse.Namespace) -> int:
    from asflown.change.baseline_places import approved_below
    from asflown.errors import UsageError

    for place in options.places:
        if place.is_dir():
            raise UsageError(f"{place} is a folder", "Name the baseline's file: one retires them one by one")
    for file in approved_below(options.places):
        file.unlink()
        print(f"retired: {file}; commit its removal")
    return 0


def _proposals(places: list[Path]) -> list[Path]:
    """The proposals that files or folders hold. Raises UsageError when there are none."""
    from asflown.change.baseline_places import baselines_below, is_proposal
    from asflown.errors import UsageError

    found = [
        file for place in places for file in ([place] if place.is_file() else baselines_below(place))
        if is_proposal(file)
    ]  # fmt: skip
    if not found:
        named = ", ".join(map(str, places))
        raise UsageError(f"there is no proposal in {named}", "Make one with `asflown baseline propose`")
    return found


def _approved_of(proposal: Path) -> Path:
    from asflown.change.baseline_model import SUFFIX
    from asflown.change.baseline_places import PROPOSED

    return proposal.with_name(proposal.name.removesuffix(PROPOSED + SUFFIX) + SUFFIX)


_DONE_BY = {
    "propose": _propose,
    "check": _check,
    "show": _show,
    "diff": _diff,
    "approve": _approve,
    "retire": _retire,
}
