"""Reads the text of a rule into a formula, with every error placed at its character.

Binding, tightest first: `not`, `always` and `eventually`; `until` and `since`; `and`; `or`; `implies`, which groups to
the right. `always height < 3 m and on_ground` therefore means `(always height < 3 m) and on_ground`. What looks
back (`once`, `historically`, `since`) and `next`, `rise(...)`, `fall(...)` bind as those that look ahead. `while A, B`
and `at leg 3, B` are `A implies B`, as tight as `not`.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from functools import cache
from typing import cast

from lark import Lark, Token, Tree, UnexpectedCharacters, UnexpectedInput, UnexpectedToken

from asflown.errors import FormulaProblem, QuantityProblem
from asflown.scenario.formula import (
    WHOLE,
    Always,
    And,
    Eventually,
    Fall,
    Flag,
    Formula,
    Historically,
    Implies,
    Next,
    Not,
    Once,
    Or,
    Rise,
    Since,
    Until,
    Window,
)
from asflown.scenario.model import Rule
from asflown.scenario.predicates import known_signal, magnitude_from, predicate_from
from asflown.scenario.signal_names import MODES, SIGNALS, leg_signal, mode_signal
from asflown.units import UNSIGNED_PATTERN, Dimension, parse_quantity

LONGEST_TEXT = 2000
DEEPEST_TREE = 60

KEYWORDS = (
    *("always", "eventually", "until", "once", "historically", "since", "next", "rise", "fall"),
    *("not", "and", "or", "implies", "while", "at", "leg", "mode", "is", "scale", "abs", "end"),
)

_GRAMMAR = r"""
?start: implication
?implication: disjunction | disjunction "implies" implication -> implies
?disjunction: conjunction ("or" conjunction)*
?conjunction: until ("and" until)*
?until: unary | unary "until" [window] unary -> until
      | unary "since" [window] unary -> since
?unary: "not" unary -> negation
      | "always" [window] unary -> always
      | "eventually" [window] unary -> eventually
      | "once" [window] unary -> once
      | "historically" [window] unary -> historically
      | "next" unary -> next
      | "while" unary "," unary -> implies
      | "at" leg "," unary -> implies
      | atom
?atom: "(" implication ")"
     | linear COMPARISON linear ["scale" QUANTITY] -> comparison
     | "abs" "(" linear ")" COMPARISON number ["scale" QUANTITY] -> magnitude
     | "rise" "(" implication ")" -> rise
     | "fall" "(" implication ")" -> fall
     | leg
     | "mode" "is" MODE_NAME -> mode
     | NAME -> flag
leg: "leg" NUMBER
window: "[" QUANTITY "," (QUANTITY | END) "]"
linear: SIGN? term (SIGN term)*
?term: NAME -> signal | NUMBER "*" NAME -> scaled | NAME "/" NUMBER -> divided | number
number: QUANTITY | NUMBER

END: "end"
COMPARISON: "<=" | ">=" | "<" | ">"
SIGN: "+" | "-"
QUANTITY: /{unsigned}\s*(?!(?:{keywords})\b)[A-Za-z%][A-Za-z%\/]*/
NUMBER: /{unsigned}/
MODE_NAME: /[a-z]+(-[a-z]+)*/
NAME: /(?!(?:{keywords})\b)[A-Za-z_][A-Za-z_0-9]*/
%ignore /\s+/
"""

_OTHER_COMPARISONS = ("=", "!", "\N{LESS-THAN OR EQUAL TO}", "\N{GREATER-THAN OR EQUAL TO}")

_IN_WORDS = {
    "NAME": "a signal",
    "QUANTITY": "a quantity",
    "NUMBER": "a number",
    "COMPARISON": "a comparison (<, <=, >, >=)",
    "SIGN": "+ or -",
    "LPAR": "`(`",
    "RPAR": "`)`",
    "LSQB": "a window such as `[0 s, 12 s]`",
    "RSQB": "`]`",
    "COMMA": "`,`",
    "STAR": "`*`",
    "SLASH": "`/`",
    "MODE_NAME": "a mode such as `position-hold`",
    "$END": "the end of the rule",
}


def parse_rule(rule: Rule) -> Formula:
    """The formula of a rule, with `always` around it where the short form is used.

    Raises FormulaProblem when the text cannot be understood, or when not exactly one form is given.
    """
    if (rule.always is None) == (rule.formula is None):
        raise FormulaProblem(
            0, f"rule `{rule.name}` needs one text", "Give exactly one of `always` and `formula`"
        )
    names: dict[str, Formula] = {}
    for name, text in rule.let.items():
        names[name] = _named(name, text, names)
    if rule.always is not None:
        return Always(parse_formula(rule.always, names), text=rule.always.strip())
    return parse_formula(rule.formula or "", names)


def _named(name: str, text: str, names: Mapping[str, Formula]) -> Formula:
    """A part of a rule that has a name; it may speak of parts named before it."""
    if name in SIGNALS or name in KEYWORDS or not name.isidentifier():
        raise FormulaProblem(0, f"a part of a rule cannot be called `{name}`", "Use a word of its own")
    try:
        return parse_formula(text, names)
    except FormulaProblem as problem:
        raise FormulaProblem(0, f"in `{name}`: {problem.problem}", problem.remedy) from problem


def parse_formula(text: str, names: Mapping[str, Formula] | None = None) -> Formula:
    """The formula written in `text`, which may use parts by their `names`.

    Raises FormulaProblem, which holds the offending character's offset.
    """
    if len(text) > LONGEST_TEXT:
        raise FormulaProblem(LONGEST_TEXT, f"the rule is longer than {LONGEST_TEXT} characters", "Split it")
    try:
        tree = _parser().parse(text)
    except UnexpectedInput as unexpected:
        raise _not_understood(text, unexpected) from unexpected
    if _depth(tree) > DEEPEST_TREE:
        raise FormulaProblem(0, f"the rule is nested deeper than {DEEPEST_TREE} levels", "Split it")
    return _build(tree, text, names or {})


@cache
def _parser() -> Lark:
    grammar = _GRAMMAR.replace("{unsigned}", UNSIGNED_PATTERN).replace("{keywords}", "|".join(KEYWORDS))
    return Lark(grammar, parser="lalr", propagate_positions=True, maybe_placeholders=True)


def _depth(tree: Tree[Token]) -> int:
    """Levels of the tree, found without recursion."""
    deepest, waiting = 0, [(tree, 1)]
    while waiting:
        node, level = waiting.pop()
        deepest = max(deepest, level)
        waiting.extend((child, level + 1) for child in node.children if isinstance(child, Tree))
    return deepest


def _build(tree: Tree[Token], text: str, names: Mapping[str, Formula]) -> Formula:
    piece = text[tree.meta.start_pos : tree.meta.end_pos]
    match tree.data:
        case "flag":
            (token,) = _tokens(tree)
            if token not in names:
                return Flag(known_signal(token, is_flag=True).name, piece)
            return replace(names[token], text=f"{token}: {names[token].text}")
        case "leg" | "mode":
            return Flag(*_placed(tree), piece)
        case "comparison":
            return predicate_from(tree, piece)
        case "magnitude":
            return magnitude_from(tree, piece)
    window = next((_window(part) for part in _subtrees(tree) if part.data == "window"), WHOLE)
    operands = tuple(_build(part, text, names) for part in _subtrees(tree) if part.data != "window")
    return _OPERATORS[str(tree.data)](operands, window, piece)


def _placed(tree: Tree[Token]) -> tuple[str]:
    """The signal that says whether a leg or a mode is being flown."""
    (token,) = _tokens(tree)
    if tree.data == "mode":
        if token not in MODES:
            near = difflib.get_close_matches(token, MODES, n=1)
            hint = f"Did you mean `{near[0]}`?" if near else f"Modes are {', '.join(MODES)}"
            raise FormulaProblem(token.start_pos or 0, f"there is no mode `{token}`", hint)
        return (mode_signal(token),)
    if not token.isdecimal() or int(token) == 0:
        raise FormulaProblem(token.start_pos or 0, f"`{token}` is no leg", "Legs are numbered 1, 2, 3, ...")
    return (leg_signal(int(token)),)


_OPERATORS: dict[str, Callable[[tuple[Formula, ...], Window, str], Formula]] = {
    "negation": lambda operands, _, piece: Not(operands[0], piece),
    "always": lambda operands, window, piece: Always(operands[0], window, piece),
    "eventually": lambda operands, window, piece: Eventually(operands[0], window, piece),
    "until": lambda operands, window, piece: Until(operands[0], operands[1], window, piece),
    "conjunction": lambda operands, _, piece: And(operands, piece),
    "disjunction": lambda operands, _, piece: Or(operands, piece),
    "once": lambda operands, window, piece: Once(operands[0], window, piece),
    "historically": lambda operands, window, piece: Historically(operands[0], window, piece),
    "since": lambda operands, window, piece: Since(operands[0], operands[1], window, piece),
    "next": lambda operands, _, piece: Next(operands[0], piece),
    "rise": lambda operands, _, piece: Rise(operands[0], piece),
    "fall": lambda operands, _, piece: Fall(operands[0], piece),
    "implies": lambda operands, _, piece: Implies(operands[0], operands[1], piece),
}


def _subtrees(tree: Tree[Token]) -> Iterator[Tree[Token]]:
    return (child for child in tree.children if isinstance(child, Tree))


def _tokens(tree: Tree[Token]) -> list[Token]:
    return [child for child in tree.children if isinstance(child, Token)]


def _window(tree: Tree[Token]) -> Window:
    begin, end = _tokens(tree)
    begin_us = _microseconds(begin)
    if end.type == "END":
        return Window(begin_us, None)
    end_us = _microseconds(end)
    if end_us < begin_us:
        offset = begin.start_pos or 0
        raise FormulaProblem(offset, f"the window [{begin}, {end}] ends before it begins", "Swap its ends")
    return Window(begin_us, end_us)


def _microseconds(token: Token) -> int:
    try:
        exact_us = parse_quantity(str(token), Dimension.DURATION) * 1e6
    except QuantityProblem as problem:
        raise FormulaProblem(token.start_pos or 0, problem.problem, problem.remedy) from problem
    if abs(exact_us - round(exact_us)) > 1e-6:
        raise FormulaProblem(token.start_pos or 0, f"`{token}` is finer than 1 us", "Use whole microseconds")
    return round(exact_us)


def _not_understood(text: str, unexpected: UnexpectedInput) -> FormulaProblem:
    offset = cast("int", unexpected.pos_in_stream)
    found, expected = text[offset : offset + 1], list[str]()
    if isinstance(unexpected, UnexpectedToken):
        at_end = unexpected.token.type == "$END"
        offset, found = (
            (len(text), "") if at_end else (unexpected.token.start_pos or 0, str(unexpected.token))
        )
        expected = sorted(unexpected.accepts or unexpected.expected)
    elif isinstance(unexpected, UnexpectedCharacters):
        expected = ["COMPARISON"] if found in _OTHER_COMPARISONS else sorted(unexpected.allowed or ())
    misspelt = _misspelt_keyword(text[:offset])
    if misspelt is not None:
        return misspelt
    problem = f"`{found}` is not understood here" if found else "the rule stops too early"
    return FormulaProblem(offset, problem, f"Write {_any_of(expected)}")


def _misspelt_keyword(before: str) -> FormulaProblem | None:
    """A word before the unexpected place that resembles a keyword is taken to be the reason."""
    match = re.search(r"([A-Za-z_]\w*)\s*$", before)
    if match is None or match[1] in KEYWORDS:
        return None
    near = difflib.get_close_matches(match[1].lower(), KEYWORDS, n=1)
    if not near:
        return None
    return FormulaProblem(
        match.start(1), f"`{match[1]}` is not understood here", f"Did you mean `{near[0]}`?"
    )


def _any_of(terminals: list[str]) -> str:
    words = [_IN_WORDS.get(name, f"`{name.lower()}`") for name in terminals if name != "SIGN"]
    return " or ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
