"""The reference says what the code says: pages in the repository are current, and no error goes unexplained."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from asflown.cli import docs
from asflown.cli.main import build_parser, main
from asflown.cli.pages import PAGES, Page
from asflown.cli.pages.errors import CATALOGUE
from asflown.cli.pages.raised import Raised, raised
from asflown.cli.parsing import parts
from asflown.scenario.measure_names import MEASURES
from asflown.scenario.signal_names import SIGNALS
from tests.unit.source import ROOT, package_modules

REFERENCE = ROOT / "harness" / "docs" / "reference"
NEVER_SEEN = {"SetPointRefused": "the built-in vehicle answers it with a text on its link"}
"""Errors that end inside, and how."""


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_the_pages_in_the_repository_are_current(page: Page) -> None:
    """Otherwise: `asflown docs --write harness/docs/reference`, and commit what it wrote."""
    kept = (REFERENCE / f"{page.name}.md").read_text(encoding="utf-8")
    assert kept == page.make(build_parser()), "write them anew: asflown docs --write harness/docs/reference"


def test_no_page_is_left_over() -> None:
    """What nothing makes any more would grow old unseen."""
    assert {file.stem for file in REFERENCE.iterdir()} == {page.name for page in PAGES}


def error_classes() -> set[str]:
    """Names of all classes of the package that descend from AsflownError."""
    found, more = {"AsflownError"}, True
    classes = [
        node
        for module in package_modules()
        for node in ast.walk(module.tree)
        if isinstance(node, ast.ClassDef)
    ]
    while more:
        new = {node.name for node in classes for base in node.bases if ast.unparse(base) in found} - found
        found, more = found | new, bool(new)
    return found - {"AsflownError"}


def test_every_error_is_explained() -> None:
    """A class of error without an entry in the catalogue is one that nobody can look up."""
    assert error_classes() - NEVER_SEEN.keys() == {kind.__name__ for kind in CATALOGUE}


def test_every_entry_says_what_to_do_with_an_example_of_its_class() -> None:
    """The example is an error of that very class, with its remedy."""
    for kind, entry in CATALOGUE.items():
        assert type(entry.example) is kind
        assert entry.example.remedy
        assert entry.todo.endswith(".")


def test_wordings_are_read_from_the_source() -> None:
    """One that names things, one put together before, and none of a class that was not asked for."""
    made = raised({"VehicleProblem", "FileProblem"})
    assert (
        Raised(
            "VehicleProblem",
            "the bench rig is in use by process …",
            "Wait until that run has ended; its lock goes with it",
        )
        in made
    )
    assert any(one.problem == "`…` does not belong to a vehicle of kind `…`" for one in made)
    assert {one.kind for one in made} == {"VehicleProblem", "FileProblem"}


def test_the_pages_leave_nothing_out() -> None:
    """Every command with its options, every signal, every measure."""
    made = {
        page.name: page.make(build_parser())
        for page in PAGES
        if page.name in {"commands", "signals-and-units"}
    }
    for parser in parts(build_parser()):
        assert parser.prog == "asflown" or f"## {parser.prog}\n" in made["commands"]
    for name in [*SIGNALS, *MEASURES]:
        assert f"| `{name}` |" in made["signals-and-units"]
    assert "| `--retry-errors N` |" in made["commands"]


def test_pages_are_listed_and_shown(capsys: pytest.CaptureFixture[str]) -> None:
    """Without a page their names, with one the page itself; a misspelt one is told."""
    assert main(["docs"]) == 0
    listed = capsys.readouterr().out
    assert [page.name for page in PAGES if f"  {page.name} " not in listed] == []
    assert main(["docs", "errors"]) == 0
    assert capsys.readouterr().out == (REFERENCE / "errors.md").read_text(encoding="utf-8")
    assert main(["docs", "erors"]) == 2
    assert capsys.readouterr().err == "asflown: there is no page `erors`. Did you mean `errors`?\n"


def test_a_folder_that_takes_no_pages_is_one_message(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2 and the place."""
    (tmp_path / "taken").touch()
    assert main(["docs", "--write", str(tmp_path / "taken")]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_every_guide_can_be_shown_by_its_name(capsys: pytest.CaptureFixture[str]) -> None:
    """Guides of the index and pages of the reference have names of their own."""
    names = docs.guides()
    assert {"tutorial", "site", "compare"} <= names.keys()
    assert not {page.name for page in PAGES} & names.keys()
    assert main(["docs", "tutorial"]) == 0
    assert capsys.readouterr().out == names["tutorial"].read_text(encoding="utf-8")
