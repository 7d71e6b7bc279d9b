"""Reads the text of a rule into a formula, with every error placed at its character.

Binding, tightest first: `not`, `always` and `eventually`; `until`; `and`; `or`; `implies`, which groups to the
right. `always height < 3 m and on_ground` therefore means `(always height < 3 m) and on_ground`.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterator
from functools import cache
from typing import cast

from lark import Lark, Token, Tree, UnexpectedCharacters, UnexpectedInput, UnexpectedToken

from asflown.errors import FormulaProblem, QuantityProblem
from asflown.scenario.formula import (
    WHOLE,
    Always,
    And,
    Eventually,
    Flag,
    Formula,
    Implies,
    Not,
    Or,
    Until,
    Window,
)
from asflown.scenario.model import Rule
from asflown.scenario.predicates import known_signal, magnitude_from, predicate_from
from asflown.units import UNSIGNED_PATTERN, Dimension, parse_quantity

LONGEST_TEXT = 2000
DEEPEST_TREE = 60

KEYWORDS = ("always", "eventually", "until", "not", "and", "or", "implies", "scale", "abs", "end")

_GRAMMAR = r"""
?start: implication
?implication: disjunction | disjunction "implies" implication -> implies
?disjunction: conjunction ("or" conjunction)*
?conjunction: until ("and" until)*
?until: unary | unary "until" [window] unary -> until
?unary: "not" unary -> negation
      | "always" [window] unary -> always
      | "eventually" [window] unary -> eventually
      | atom
?atom: "(" implication ")"
     | linear COMPARISON linear ["scale" QUANTITY] -> comparison
     | "abs" "(" NAME ")" COMPARISON number ["scale" QUANTITY] -> magnitude
     | NAME -> flag
window: "[" QUANTITY "," (QUANTITY | END) "]"
linear: SIGN? term (SIGN term)*
?term: NAME -> signal | NUMBER "*" NAME -> scaled | number
number: QUANTITY | NUMBER

END: "end"
COMPARISON: "<=" | ">=" | "<" | ">"
SIGN: "+" | "-"
QUANTITY: /{unsigned}\s*(?!(?:{keywords})\b)[A-Za-z%][A-Za-z%\/]*/
NUMBER: /{unsigned}/
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
    if rule.always is not None:
        return Always(parse_formula(rule.always), text=rule.always.strip())
    return parse_formula(rule.formula or "")


def parse_formula(text: str) -> Formula:
    """The formula written in `text`. Raises FormulaProblem, which holds the offending character's offset."""
    if len(text) > LONGEST_TEXT:
        raise FormulaProblem(LONGEST_TEXT, f"the rule is longer than {LONGEST_TEXT} characters", "Split it")
    try:
        tree = _parser().parse(text)
    except UnexpectedInput as unexpected:
        raise _not_understood(text, unexpected) from unexpected
    if _depth(tree) > DEEPEST_TREE:
        raise FormulaProblem(0, f"the rule is nested deeper than {DEEPEST_TREE} levels", "Split it")
    return _build(tree, text)


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


def _build(tree: Tree[Token], text: str) -> Formula:
    piece = text[tree.meta.start_pos : tree.meta.end_pos]
    match tree.data:
        case "flag":
            return Flag(known_signal(_tokens(tree)[0], is_flag=True).name, piece)
        case "comparison":
            return predicate_from(tree, piece)
        case "magnitude":
            return magnitude_from(tree, piece)
    window = next((_window(part) for part in _subtrees(tree) if part.data == "window"), WHOLE)
    operands = tuple(_build(part, text) for part in _subtrees(tree) if part.data != "window")
    return _OPERATORS[str(tree.data)](operands, window, piece)


_OPERATORS: dict[str, Callable[[tuple[Formula, ...], Window, str], Formula]] = {
    "negation": lambda operands, _, piece: Not(operands[0], piece),
    "always": lambda operands, window, piece: Always(operands[0], window, piece),
    "eventually": lambda operands, window, piece: Eventually(operands[0], window, piece),
    "until": lambda operands, window, piece: Until(operands[0], operands[1], window, piece),
    "conjunction": lambda operands, _, piece: And(operands, piece),
    "disjunction": lambda operands, _, piece: Or(operands, piece),
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
