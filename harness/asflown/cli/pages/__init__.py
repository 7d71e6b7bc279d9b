"""Pages of the reference, made from the code: each is what the program itself says, so it cannot be out of date.

A page is a function of the parser of the whole command that returns Markdown. What it is made from is imported when it
is made.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Page:
    """One page of the reference."""

    name: str
    """What `asflown docs` calls it, and its file without `.md`."""
    says: str
    make: Callable[[argparse.ArgumentParser], str]
    """Of the parser of the whole command."""


def _commands(whole: argparse.ArgumentParser) -> str:
    from asflown.cli.pages.commands import page

    return page(whole)


def _scenario_file(_whole: argparse.ArgumentParser) -> str:
    from asflown.cli.pages.keys import page

    return page("scenario")


def _vehicle_file(_whole: argparse.ArgumentParser) -> str:
    from asflown.cli.pages.keys import page

    return page("vehicle")


def _signals(_whole: argparse.ArgumentParser) -> str:
    from asflown.cli.pages.signals import page

    return page()


def _errors(_whole: argparse.ArgumentParser) -> str:
    from asflown.cli.pages.errors import page

    return page()


PAGES = (
    Page("commands", "every command with its options and examples", _commands),
    Page(
        "scenario-file",
        "every key of a scenario file: how it is written, its default, what it means",
        _scenario_file,
    ),
    Page("vehicle-file", "every key of a vehicle file", _vehicle_file),
    Page("signals-and-units", "signals and modes that rules speak of, and all units", _signals),
    Page("errors", "exit codes, and every error: what it means and what to do", _errors),
)
"""All pages, in the order of the index."""
