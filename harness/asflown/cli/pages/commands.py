"""The page of commands: what each takes, read from the parser that reads the command line."""

from __future__ import annotations

import argparse
from collections.abc import Iterator

from asflown.cli.pages.markdown import made_by, table
from asflown.cli.parsing import arguments_of, parts


def page(whole: argparse.ArgumentParser) -> str:
    """The whole page, of the parser of the whole command."""
    lines = ["# Commands", "", made_by("commands"), "", (whole.description or "").strip(), ""]
    lines += ["Exit codes: [errors](errors.md). Each command explains itself with `--help`.", ""]
    for parser in parts(whole):
        if parser is not whole:
            lines += _section(parser)
    return "\n".join(lines).rstrip() + "\n"


def _section(parser: argparse.ArgumentParser) -> Iterator[str]:
    yield from (f"## {parser.prog}", "", (parser.description or "").strip(), "")
    arguments = arguments_of(parser)
    yield from ("```text", _call(parser.prog, arguments), "```", "")
    if arguments:
        yield from table(
            ["argument", "what it is"], [(f"`{_written(one)}`", _says(one)) for one in arguments]
        )
        yield ""
    if parser.epilog:
        yield from ("```text", parser.epilog.strip(), "```", "")


def _call(prog: str, arguments: tuple[argparse.Action, ...]) -> str:
    """What is typed, in short: options are in the table."""
    places = [_written(one) for one in arguments if not one.option_strings]
    options = ["[OPTION ...]"] if any(one.option_strings for one in arguments) else []
    return " ".join([prog, *options, *places])


def _written(action: argparse.Action) -> str:
    value = _value(action)
    if action.option_strings:
        many = " ..." if action.nargs in {"+", "*"} else ""
        name = ", ".join(action.option_strings)
        return f"{name} [{value}]" if action.nargs == "?" else f"{name} {value}{many}".strip()
    return {"?": f"[{value}]", "*": f"[{value} ...]", "+": f"{value} [{value} ...]"}.get(
        str(action.nargs), value
    )


def _value(action: argparse.Action) -> str:
    if action.nargs == 0:
        return ""
    if isinstance(action.metavar, tuple):
        return " ".join(action.metavar)
    if action.metavar is not None:
        return action.metavar
    return "{" + ",".join(map(str, action.choices)) + "}" if action.choices else action.dest.upper()


def _says(action: argparse.Action) -> str:
    """Its help; argparse doubles each per cent."""
    words = (action.help or "").replace("%%", "%")
    several = "; may be given several times" if isinstance(action, argparse._AppendAction) else ""  # noqa: SLF001
    return words + (" (needed)" if action.required and action.option_strings else "") + several
