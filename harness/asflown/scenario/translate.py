"""Puts the validator's errors into our words, each at its place in the file.

The whole of pydantic's vocabulary that the models can produce is a row of `_WORDS`; anything else falls back to
pydantic's own sentence, so that nothing is lost.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from asflown.errors import FileProblem
from asflown.scenario import yaml_tree
from asflown.scenario.outline import Outline
from asflown.scenario.places import NAME_OF_KEY, Place, find, meant, nearest, show
from asflown.scenario.yaml_tree import Mapping, Scalar
from asflown.units import UNITS, split_quantity

PLACEHOLDERS = ("link", "host", "port", "baud")

_Told = tuple[str, str]
"""What is wrong, and what to do."""


def translate(error: ValidationError, root: Mapping, model: type[BaseModel]) -> tuple[FileProblem, ...]:
    """One problem for each thing that `model` found wrong with `root`, in the order of the file."""
    outline = Outline(model)
    problems = {
        str(problem): problem for problem in (_translate(each, root, outline) for each in error.errors())
    }
    return in_file_order(problems.values())


def in_file_order(problems: Iterable[FileProblem]) -> tuple[FileProblem, ...]:
    """The problems sorted by file and place; those of the file named first stay first."""
    listed = list(problems)
    files = list(dict.fromkeys(problem.where.file for problem in listed))
    return tuple(sorted(listed, key=lambda p: (files.index(p.where.file), p.where.line, p.where.column)))


def _translate(details: ErrorDetails, root: Mapping, outline: Outline) -> FileProblem:
    place = find(root, details["loc"])
    kind = details["type"]
    if isinstance(place.node, Scalar) and place.node.value is None:
        told = f"`{place.name}:` is empty", "Give it a value, or leave the key out"
        return FileProblem(place.key_where, *told)
    told = _WORDS.get(kind, _other)(details, place, outline)
    where = (
        place.key_where if kind == "extra_forbidden" or details["loc"][-1:] == (NAME_OF_KEY,) else place.where
    )
    return FileProblem(where, *told)


def _unknown_key(details: ErrorDetails, place: Place, outline: Outline) -> _Told:
    allowed = outline.keys(details["loc"][:-1])
    return f"unknown key `{place.name}`", meant(place.name, allowed, "Known here are")


def _missing(details: ErrorDetails, place: Place, outline: Outline) -> _Told:
    if isinstance(place.inside, yaml_tree.Sequence):
        written = f"{place.name}: {show(place.inside)}"
        return f"`{written}` has too few entries", f"Give {outline.length(details['loc'][:-1])}"
    key = str(details["loc"][-1])
    parent = ".".join(part for part in details["loc"][:-1] if isinstance(part, str) and part[:1] != "~")
    of = f" in `{parent}`" if parent else ""
    return f"the key `{key}` is missing{of}", f"Add `{key}: ...`"


def _quantity(details: ErrorDetails, place: Place, _: Outline) -> _Told:
    context = details["ctx"]
    return f"`{place.shown()}` {context['fault']}", str(context["remedy"])


def _not_allowed(details: ErrorDetails, place: Place, outline: Outline) -> _Told:
    if details["loc"][-1] == NAME_OF_KEY:
        allowed = outline.key_choices(details["loc"][:-2])
        return f"unknown key `{place.name}`", meant(place.name, allowed, "Known here are")
    allowed = outline.choices(details["loc"])
    text = place.node.raw if isinstance(place.node, Scalar) else ""
    near = nearest(text, allowed)
    remedy = f"Did you mean `{near}`?" if near else f"Write {_any_of(allowed)}"
    return f"`{place.shown()}` is not allowed", remedy


def _text(_: ErrorDetails, place: Place, __: Outline) -> _Told:
    if isinstance(place.node, Mapping) and (names := _placeholder(place.node)):
        return f"`{{{names}}}` is read as a mapping", f'Put it in quotes: `"{{{names}}}"`'
    if isinstance(place.node, Scalar):
        return f"`{place.shown()}` must be text", f'Put it in quotes: `"{place.node.raw}"`'
    return f"`{place.shown()}` must be text", "Write a single value"


def _placeholder(node: Mapping) -> str | None:
    name = next(iter(node.entries), "")
    return name if len(node.entries) == 1 and name in PLACEHOLDERS else None


def _whole_number(_: ErrorDetails, place: Place, __: Outline) -> _Told:
    return f"`{place.shown()}` must be a whole number", "Write it in digits, without quotes and unit"


def _number(_: ErrorDetails, place: Place, __: Outline) -> _Told:
    return f"`{place.shown()}` must be a number", "Write it in digits, without quotes and unit, such as `0.9`"


def _bound(words: str, key: str) -> Callable[[ErrorDetails, Place, Outline], _Told]:
    def told(details: ErrorDetails, place: Place, _: Outline) -> _Told:
        limit = _in_unit_of(place, float(details["ctx"][key]))
        return f"`{place.shown()}` is out of range", f"It must be {words} {limit}"

    return told


def _in_unit_of(place: Place, limit_si: float) -> str:
    """The limit in the unit that the value is written in."""
    written = split_quantity(place.node.raw) if isinstance(place.node, Scalar) else None
    symbol = written[1] if written else ""
    if symbol not in UNITS:
        return f"{limit_si:g}"
    in_degrees = symbol == "deg" and place.name in {"latitude", "longitude"}
    factor = 1.0 if in_degrees else float(UNITS[symbol].to_si)
    return f"{limit_si / factor:g} {symbol}"


def _wrong_form(details: ErrorDetails, place: Place, outline: Outline) -> _Told:
    described = outline.description(details["loc"])
    return f"`{place.shown()}` is not allowed", f"Write {described or details['msg']}"


def _too_long_text(details: ErrorDetails, place: Place, _: Outline) -> _Told:
    return f"`{place.shown()}` is too long", f"At most {details['ctx']['max_length']} characters"


def _too_short(details: ErrorDetails, place: Place, _: Outline) -> _Told:
    return f"`{place.shown()}` has too few entries", f"Give at least {details['ctx']['min_length']}"


def _too_long(details: ErrorDetails, place: Place, _: Outline) -> _Told:
    return f"`{place.shown()}` has too many entries", f"Give {details['ctx']['max_length']}"


def _mapping(details: ErrorDetails, place: Place, outline: Outline) -> _Told:
    keys = outline.keys(details["loc"])
    known = f" of {', '.join(keys)}" if keys else ""
    return f"`{place.shown()}` must be a mapping", f"Write `key: value` lines{known}"


def _list(_: ErrorDetails, place: Place, __: Outline) -> _Told:
    return f"`{place.shown()}` must be a list", f"Write `{place.name}: [...]` with commas between its entries"


def _other(details: ErrorDetails, place: Place, _: Outline) -> _Told:
    return f"`{place.shown()}` is not allowed", str(details["msg"])


def _any_of(names: tuple[str, ...]) -> str:
    return " or ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


_WORDS: dict[str, Callable[[ErrorDetails, Place, Outline], _Told]] = {
    "extra_forbidden": _unknown_key,
    "missing": _missing,
    "quantity": _quantity,
    "literal_error": _not_allowed,
    "string_type": _text,
    "int_type": _whole_number,
    "int_from_float": _whole_number,
    "int_parsing": _whole_number,
    "float_type": _number,
    "finite_number": _number,
    "greater_than": _bound("more than", "gt"),
    "greater_than_equal": _bound("at least", "ge"),
    "less_than": _bound("less than", "lt"),
    "less_than_equal": _bound("at most", "le"),
    "string_pattern_mismatch": _wrong_form,
    "string_too_long": _too_long_text,
    "too_short": _too_short,
    "too_long": _too_long,
    "model_type": _mapping,
    "model_attributes_type": _mapping,
    "dict_type": _mapping,
    "tuple_type": _list,
}
