"""Documentation: every relative link leads somewhere, every page is in the index, and commands run as printed."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from tests.unit.printed import Block, blocks, sandbox, type_in
from tests.unit.source import ROOT

DOCS = ROOT / "harness" / "docs"
CONTAINERS = ROOT / "ci" / "containers" / "README.md"
PAGES = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "tests" / "README.md",
    *sorted(DOCS.rglob("*.md")),
]
_LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)|<(?:img|source)[^>]*?\bsrc=\"([^\"]+)\"")
_CODE = re.compile(r"```.*?```|`[^`\n]*`", re.DOTALL)


def links(page: Path) -> list[str]:
    """Targets of links and pictures, outside of code."""
    text = _CODE.sub("", page.read_text(encoding="utf-8"))
    return [first or second for first, second in _LINK.findall(text)]


def anchors(page: Path) -> set[str]:
    """Names of headings, as servers of repositories make them."""
    headings = re.findall(r"(?m)^#+ (.+)$", page.read_text(encoding="utf-8"))
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_relative_link_leads_somewhere(page: Path) -> None:
    """To a file or folder of the repository, and to a heading that is there where one is named."""
    broken = []
    for target in links(page):
        place, _, anchor = target.partition("#")
        if re.match(r"[a-z]+:", target):
            continue
        file = (page.parent / place).resolve() if place else page
        if not file.exists() or (anchor and file.suffix == ".md" and anchor not in anchors(file)):
            broken.append(target)
    assert broken == []


def test_every_page_is_in_the_index() -> None:
    """Nobody has to guess file names; pages in folders of their own are reached from theirs."""
    listed = {(DOCS / target.partition("#")[0]).resolve() for target in links(DOCS / "README.md")}
    missing = {page for page in DOCS.glob("*.md") if page.name != "README.md"} - listed
    assert {page.name for page in missing} == set()


BLOCKS = {page: found for page in [*PAGES, CONTAINERS] if (found := blocks(page))}
NOT_RUN = {
    "README.md": 1,
    "hostile-input.md": 1,
    "bisect.md": 1,
    "calibration.md": 1,
    "link.md": 1,
    "real-vehicles.md": 1,
    "containers/README.md": 1,
}
"""How many blocks of a page no test types: each says why, and a new one is noticed here."""
NIGHTLY = {"bisect.md": 1, "campaigns.md": 2, "point-of-no-return.md": 1}


def name_of(page: Path) -> str:
    """`README.md`, but `containers/README.md` for one of two."""
    return f"containers/{page.name}" if page == CONTAINERS else page.name


def typed_here(page: Path) -> list[Block]:
    """The blocks of a page that this run types."""
    every = bool(os.environ.get("ASFLOWN_EVERY_BLOCK"))
    return [one for one in BLOCKS[page] if not one.not_run and (every or not one.nightly)]


def test_blocks_that_no_test_types_are_few_and_say_why() -> None:
    """A page cannot grow commands that nobody tries; most blocks are typed."""
    found = {name_of(page): sum(bool(one.not_run) for one in of) for page, of in BLOCKS.items()}
    assert {name: count for name, count in found.items() if count} == NOT_RUN
    nightly = {page.name: sum(bool(one.nightly) for one in of) for page, of in BLOCKS.items()}
    assert {name: count for name, count in nightly.items() if count} == NIGHTLY
    assert sum(len(one.commands) for of in BLOCKS.values() for one in of if not one.not_run) > 40


@pytest.mark.flight
@pytest.mark.slow
@pytest.mark.parametrize("page", [page for page in BLOCKS if typed_here(page)], ids=name_of)
def test_commands_run_as_printed(page: Path, tmp_path: Path) -> None:
    """Each command of a page in order, in a folder like a fresh clone, ends as the page says."""
    sandbox(tmp_path)
    for block in typed_here(page):
        for typed in block.commands:
            code, said = type_in(tmp_path, typed)
            assert code == typed.exit_code, f"{block.name}: {typed.command}\n{said}"
    if page.name == "tutorial.md":
        assert (tmp_path / "site" / "index.html").is_file()
