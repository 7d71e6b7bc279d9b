"""`asflown docs`: the reference, made from the program itself, and the guides that come with it; no network."""

from __future__ import annotations

import argparse
from pathlib import Path

from asflown.cli.pages import PAGES
from asflown.cli.parsing import SubParsers, command

DESCRIPTION = """\
Shows a page of the reference (every command, every key of a file, every signal and unit, every error), made from the
program itself, or one of the guides, which come with it. Without a page it lists both. No network is needed.
"""

EXAMPLES = """\
examples:
  asflown docs                             which pages there are
  asflown docs tutorial                    a guide: the first hour
  asflown docs scenario-file               every key of a scenario file
  asflown docs errors                      what an error means and what to do
  asflown docs commands | less -R          every command with its options
  asflown docs --write harness/docs/reference
                                           all pages as Markdown files
"""
NAME_WIDTH = 24


def add_parser(commands: SubParsers) -> None:
    """Adds `docs` to the command."""
    parser = command(commands, "docs", "show the reference and the guides", DESCRIPTION, EXAMPLES)
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
    print("Guides:")
    for name, file in guides().items():
        print(f"  {name:{NAME_WIDTH}}{_title(file)}")


def guides() -> dict[str, Path]:
    """The guides by name, wherever they were installed to, or in the checkout; none where they were left out."""
    from importlib import metadata

    checkout = Path(__file__).parents[2] / "docs"
    if (checkout / "README.md").is_file():
        found = list(checkout.glob("*.md"))
    else:
        try:
            listed = metadata.files("asflown") or []
        except metadata.PackageNotFoundError:
            listed = []
        inside = [one for one in listed if one.parts[-3:-1] == ("asflown", "docs") and one.suffix == ".md"]
        found = [Path(str(one.locate())) for one in inside]
    return {file.stem: file for file in sorted(found) if file.is_file() and file.stem != "README"}


def _title(file: Path) -> str:
    with file.open(encoding="utf-8") as lines:
        return next((line[2:].strip() for line in lines if line.startswith("# ")), "")


def _text(name: str, whole: argparse.ArgumentParser) -> str:
    """A page as Markdown. Raises UsageError for one that there is not."""
    from asflown.errors import UsageError
    from asflown.scenario.places import meant

    page = next((page for page in PAGES if page.name == name), None)
    if page is not None:
        return page.make(whole)
    known = guides()
    if name not in known:
        names = [*(one.name for one in PAGES), *known]
        raise UsageError(f"there is no page `{name}`", meant(name, names, "There are"))
    return known[name].read_text(encoding="utf-8")


def _show(name: str, whole: argparse.ArgumentParser) -> None:
    import sys

    from rich.markdown import Markdown

    from asflown.report import terminal

    text = _text(name, whole)
    out = terminal.console(sys.stdout)
    if out.is_terminal:
        out.print(Markdown(text))
    else:
        print(text, end="")
