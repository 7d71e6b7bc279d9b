"""`asflown report`: writes reports of flights that were flown and graded before."""

from __future__ import annotations

import argparse
from pathlib import Path

from asflown.cli.parsing import SubParsers, command

DESCRIPTION = """\
Writes reports of recorded flights: a site of static pages that opens from a file, a Markdown summary for the job
page of a CI server, plan views as pictures. Each flight is graded by its own scenario, or by the one named.
"""

EXAMPLES = """\
examples:
  asflown report .asflown/flights/* --site site          then open site/index.html
  asflown report .asflown/flights/* --markdown summary.md
  asflown report FOLDER --plan-views pictures            an SVG for a pull request
  asflown report FOLDER --plan-views pictures --png      a PNG, where no SVG is shown
"""


def add_parser(commands: SubParsers) -> None:
    """Adds `report` to the command."""
    parser = command(
        commands, "report", "write a site, a summary or pictures of recorded flights", DESCRIPTION, EXAMPLES
    )
    add = parser.add_argument
    add("paths", nargs="+", type=Path, metavar="PATH", help="a flight's folder, or a tlog")
    add("--scenario", type=Path, metavar="FILE", help="grade by this file instead of the flight's own")
    add("--site", type=Path, metavar="DIR", help="write static pages into this folder")
    add("--markdown", type=Path, metavar="FILE", help="write a summary for the job page of a CI server")
    add("--plan-views", type=Path, metavar="DIR", help="write the plan view of each flight as SVG")
    add("--png", action="store_true", help="plan views as PNG instead (pip install 'asflown[png]')")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Writes what was asked for; returns the exit code of the verdicts."""
    from asflown.cli.recorded import told_of, write_reports
    from asflown.errors import UsageError
    from asflown.grade.verdict import exit_code_of

    if options.site is None and options.markdown is None and options.plan_views is None:
        raise UsageError("nothing is asked for", "Add --site DIR, --markdown FILE or --plan-views DIR")
    if options.png and options.plan_views is None:
        raise UsageError("--png is how plan views are drawn, and none are asked for", "Add --plan-views DIR")
    told = told_of(list(dict.fromkeys(options.paths)), options.scenario)
    for path in write_reports(told, options.site, options.markdown, options.plan_views, as_png=options.png):
        print(path)
    return exit_code_of(outcome.verdict for outcome, _ in told)
