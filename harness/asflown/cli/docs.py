"""`asflown docs`: the reference, made from the program itself, and the guides that come with it; no network."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from asflown.cli.pages import PAGES
from asflown.cli.parsing import SubParsers, command

if TYPE_CHECKING:
    from asflown.errors import UsageError

DESCRIPTION = """\
Shows a page of the reference (every command, every key of a file, every signal and unit, every error), made from the
program itself, or one of the guides, which come with it. Without a page it lists both. With --open or --html they are
pages for a browser. No network is needed.
"""

EXAMPLES = """\
examples:
  asflown docs                             which pages there are
  asflown docs tutorial                    a guide: the first hour
  asflown docs scenario-file               every key of a scenario file
  asflown docs errors                      what an error means and what to do
  asflown docs commands | less -R          every command with its options
  asflown docs --open tutorial             in the browser; without a page, the index of all
  asflown docs --html DIR                  all of them as pages for a browser, in a folder
  asflown docs --write harness/docs/reference
                                           all pages as Markdown files
"""
NAME_WIDTH = 24


def add_parser(commands: SubParsers) -> None:
    """Adds `docs` to the command."""
    parser = command(commands, "docs", "show the reference and the guides", DESCRIPTION, EXAMPLES)
    parser.add_argument("page", nargs="?", metavar="PAGE", help="which page; all are listed without it")
    parser.add_argument("--write", type=Path, metavar="DIR", help="write all pages into this folder instead")
    parser.add_argument(
        "--html", type=Path, metavar="DIR", help="write all as pages for a browser into this folder"
    )
    parser.add_argument(
        "--open", action="store_true", help="show the page in the browser, from the cache or DIR"
    )
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Lists, shows or writes; returns 0. Raises UsageError for a page that there is not, and FolderProblem."""
    if options.html is not None or options.open:
        _browse(options.html, options.page, options.whole, opened=options.open)
    elif options.write is not None:
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
    """The guides by name; none where they were left out."""
    folder = _guides_folder()
    found = [] if folder is None else sorted(folder.glob("*.md"))
    return {file.stem: file for file in found if file.stem != "README"}


def _guides_folder() -> Path | None:
    """Where guides and their pictures are: in the checkout, or wherever they were installed to."""
    from importlib import metadata

    checkout = Path(__file__).parents[2] / "docs"
    if (checkout / "README.md").is_file():
        return checkout
    try:
        listed = metadata.files("asflown") or []
    except metadata.PackageNotFoundError:
        return None
    found = [Path(str(one.locate())) for one in listed if one.parts[-3:] == ("asflown", "docs", "README.md")]
    return next((file.parent for file in found if file.is_file()), None)


def _browse(folder: Path | None, page: str | None, whole: argparse.ArgumentParser, *, opened: bool) -> None:
    """Writes all pages for a browser, and opens one. Raises UsageError and FolderProblem."""
    import webbrowser

    from asflown.report.guides import INDEX, README, write_guides

    pages, beside = _sources(whole)
    names = {Path(place).stem: place for place in pages if place not in {INDEX, README}}
    if page is not None and page not in names:
        raise _no_page(page, [*names])
    written = write_guides(folder or _cache(), pages, beside)
    place = written[INDEX if page is None else names[page]].resolve()
    print(place.as_uri())
    if opened and not webbrowser.open(place.as_uri()):
        print("no browser was found here: open that address in one")


def _sources(whole: argparse.ArgumentParser) -> tuple[dict[str, str], dict[str, Path]]:
    """All pages as Markdown by their place in the repository, and the files that lie beside them.

    Raises UsageError where the guides were left out of the installation.
    """
    from asflown.errors import UsageError

    folder = _guides_folder()
    if folder is None:
        raise UsageError(
            "the guides were not installed", "Install asflown from its wheel, with its data files"
        )
    docs = "harness/docs"
    pages = {f"{docs}/{file.name}": file.read_text(encoding="utf-8") for file in sorted(folder.glob("*.md"))}
    pages |= {f"{docs}/reference/{page.name}.md": page.make(whole) for page in PAGES}
    pages["README.md"] = _readme(folder)
    beside = {
        f"{docs}/{file.relative_to(folder).as_posix()}": file
        for file in sorted(folder.rglob("*"))
        if file.is_file() and file.suffix != ".md"
    }
    return pages, beside


def _readme(guides: Path) -> str:
    """In a checkout the file, else what was installed as the description of the package."""
    from importlib import metadata

    file = guides.parents[1] / "README.md"
    if guides == Path(__file__).parents[2] / "docs" and file.is_file():
        return file.read_text(encoding="utf-8")
    return str(metadata.metadata("asflown").json["description"])


def _cache() -> Path:
    import os

    from asflown import __version__

    home = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(home) / "asflown" / f"guides-{__version__}"


def _no_page(name: str, known: list[str]) -> UsageError:
    from asflown.errors import UsageError
    from asflown.scenario.places import meant

    return UsageError(f"there is no page `{name}`", meant(name, known, "There are"))


def _title(file: Path) -> str:
    with file.open(encoding="utf-8") as lines:
        return next((line[2:].strip() for line in lines if line.startswith("# ")), "")


def _text(name: str, whole: argparse.ArgumentParser) -> str:
    """A page as Markdown. Raises UsageError for one that there is not."""
    page = next((page for page in PAGES if page.name == name), None)
    if page is not None:
        return page.make(whole)
    known = guides()
    if name not in known:
        raise _no_page(name, [*(one.name for one in PAGES), *known])
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
