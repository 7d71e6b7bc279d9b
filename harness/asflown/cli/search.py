"""`asflown search`: looks for conditions under which a script fails, and makes them simple."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from asflown.cli.parsing import SubParsers, add_quiet, command, count

if TYPE_CHECKING:
    from asflown.campaign.flying import Outcome

DESCRIPTION = """\
Looks for the weak spot: flies a scenario under conditions within the ranges of its `campaign:`, each chosen after what
the flights before have shown, until one fails. Then takes away what it does not take to fail, and writes what is left
as a scenario file that fails the same way.
"""

EXAMPLES = """\
examples:
  asflown search windy.scenario.yaml
  asflown search windy.scenario.yaml --flights 200 --write found.scenario.yaml
  asflown search windy.scenario.yaml --way random        as a control

exit codes: 1 a failure was found, 0 none in that many flights, 3 nothing could be flown
"""


def add_parser(commands: SubParsers) -> None:
    """Adds `search` to the command."""
    parser = command(
        commands, "search", "look for conditions under which a script fails", DESCRIPTION, EXAMPLES
    )
    add = parser.add_argument
    add("scenario", type=Path, metavar="FILE", help="a scenario with a `campaign:`")
    add(
        "--vehicle", metavar="NAME", help="palm80, field1400 or a vehicle file, instead of the scenario's own"
    )
    add("--flights", type=count, default=60, metavar="N", help="give up after so many (60)")
    add(
        "--way",
        choices=("model", "evolution", "random"),
        default="model",
        help="how the next conditions are chosen: a model of what is known (model), CMA-ES, or by chance",
    )
    add(
        "--write", type=Path, metavar="FILE", help="the scenario file of what was found (beside the scenario)"
    )
    add_quiet(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Searches, shrinks and writes. Raises UsageError, FileProblem and FolderProblem."""
    from asflown.campaign.campaign import CAMPAIGNS, campaign_of
    from asflown.campaign.executor import Local
    from asflown.campaign.flying import Task, given_in_words
    from asflown.campaign.plan import Drawn, identity, seed_of
    from asflown.campaign.regression import write_regression
    from asflown.campaign.search import nominal_of, search, shrink
    from asflown.cli.campaign import simulated
    from asflown.cli.many import board_of_search
    from asflown.report import words
    from asflown.scenario.file import load_scenario, with_given

    loaded = load_scenario(options.scenario)
    campaign, vehicle = campaign_of(loaded), simulated(loaded, options.vehicle)
    key = identity(campaign, loaded.scenario.name)
    seed, keep = seed_of(key, 0), CAMPAIGNS / f"{loaded.scenario.name}-search-{key}"
    number, shown = 0, board_of_search(quiet=options.quiet)

    def evaluate(given: dict[str, str]) -> Outcome:
        nonlocal number
        with_given(loaded, given)
        number += 1
        task = Task(Drawn(number, seed, given), loaded.file.resolve(), vehicle, "any", keep, "failed")
        with shown:
            (outcome,) = Local(board=shown).run([task])
        margin = words.margin(outcome.worst)
        print(f"{number:4} {outcome.verdict}, worst margin {margin}: {given_in_words(given)}", flush=True)
        return outcome

    found = search(campaign, evaluate, options.flights, options.way)
    if found.failing is None:
        flown = any(one.outcome.verdict != "error" for one in found.tries)
        print(f"no failure in {len(found.tries)} flights")
        return 0 if flown else 3
    print(f"flight {len(found.tries)} fails: {found.failing.outcome.reason}")
    print("making it simple:")
    shrink(found, campaign, nominal_of(loaded), evaluate)
    assert found.simplest is not None
    file = options.write or loaded.file.with_name(f"{loaded.scenario.name}-found.scenario.yaml")
    write_regression(loaded, found.simplest, file)
    told = ", ".join(f"{name} {text}" for name, text in found.simplest.given.items()) or "nothing at all"
    print(f"it takes {told}")
    for one in found.gentler:
        print(f"one step gentler passes: {', '.join(f'{name} {text}' for name, text in one.given.items())}")
    print(f"written as {file}")
    return 1
