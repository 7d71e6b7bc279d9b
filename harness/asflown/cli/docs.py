"""`asflown docs`: the reference, made from the program itself, so it needs no network and is never out of date."""

from __future__ import annotations

import argparse
from pathlib import Path

from asflown.cli.pages import PAGES
from asflown.cli.parsing import SubParsers, command

DESCRIPTION = """\
Shows a page of the reference: every command, every key of a file, every signal and unit, every error. The pages are
made from the program itself. Without a page it lists them.
"""

EXAMPLES = """\
examples:
  asflown docs                             which pages there are
  asflown docs scenario-file               every key of a scenario file
  asflown docs errors                      what an error means and what to do
  asflown docs commands | less -R          every command with its options
  asflown docs --write harness/docs/reference
                                           all pages as Markdown files
"""
NAME_WIDTH = 19


def add_parser(commands: SubParsers) -> None:
    """Adds `docs` to the command."""
    parser = command(commands, "docs", "show the reference", DESCRIPTION, EXAMPLES)
    parser.add_argument("page", nargs="?", metavar="PAGE", help="which page; all are listed without it")
    parser.add_argument("--write", type=Path, metavar="DIR", help="write all pages into this folder instead")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Lists, shows or writes; returns 0. Raises UsageError for a page that there is not."""
    if options.write is not None:
        write(options.write, options.whole)
    elif options.page is None:
        _list()
    else:
        _show(options.page, options.whole)
    return 0


def write(folder: Path, whole: argparse.ArgumentParser) -> None:
    """All pages as Markdown. Raises FolderProblem where they cannot be written."""
    from asflown.report import atomic

    for page in PAGES:
        atomic.write_text(folder / f"{page.name}.md", page.make(whole))


def _list() -> None:
    print("Pages of the reference (asflown docs PAGE):")
    for page in PAGES:
        print(f"  {page.name:{NAME_WIDTH}}{page.says}")
    guides = Path(__file__).parents[2] / "docs" / "README.md"
    if guides.is_file():
        print(f"The guides: {guides}")


def _show(name: str, whole: argparse.ArgumentParser) -> None:
    import sys

    from rich.markdown import Markdown

    from asflown.errors import UsageError
    from asflown.report import terminal
    from asflown.scenario.places import meant

    page = next((page for page in PAGES if page.name == name), None)
    if page is None:
        raise UsageError(f"there is no page `{name}`", meant(name, [one.name for one in PAGES], "There are"))
    out = terminal.console(sys.stdout)
    if out.is_terminal:
        out.print(Markdown(page.make(whole)))
    else:
        print(page.make(whole), end="")
