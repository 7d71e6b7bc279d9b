"""Reading YAML: plain data alone, limits, and the place of everything that is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.errors import FileProblem, UsageError
from asflown.scenario.yaml_tree import LARGEST_BYTES, Mapping, Scalar, plain, read_tree

LOOK = "Look for wrong indentation (spaces only), an open bracket or quote, or `: ` in unquoted text"
BOMB = "a: &a [x,x,x,x,x,x,x,x,x,x]\n" + "".join(
    f"{below}: &{below} [{','.join(['*' + above] * 10)}]\n"
    for above, below in zip("abcdefg", "bcdefgh", strict=True)
)

REFUSED = {
    "tag": (
        "a: !!python/name:os.system x\n",
        "1:4: the tag `tag:yaml.org,2002:python/name:os.system` is not allowed. Remove it; plain values need none",
    ),
    "standard tag": (
        "a: !!str 5\n",
        "1:4: the tag `tag:yaml.org,2002:str` is not allowed. Remove it; plain values need none",
    ),
    "duplicate key": ("a: 1\nb: 2\na: 3\n", "3:1: `a` stands here a second time. It is on line 1 already"),
    "merge key": (
        "x: &x {a: 1}\ny:\n  <<: *x\n",
        "3:3: merge keys (`<<`) are not used here. Repeat the keys, or use `extends`",
    ),
    "alias bomb": (BOMB, "5:8: the file holds more than 20000 values, aliases counted. Make it smaller"),
    "alias of itself": ("a: &a [*a]\n", "1:8: `*a` refers to nothing. Write `&a` before it, outside"),
    "deep nesting": ("a: " + "[" * 500, "1:43: the file is nested deeper than 40 levels. Flatten it"),
    "depth by alias": (
        "a: &a " + "[" * 35 + "]" * 35 + "\nb: [[[[[[[*a]]]]]]]\n",
        "2:11: the file is nested deeper than 40 levels. Flatten it",
    ),
    "empty": ("", "1:1: the file is empty. Write at least `asflown: 1`"),
    "only comments": ("# nothing\n", "2:1: the file is empty. Write at least `asflown: 1`"),
    "a list": ("- 1\n", "1:1: the file holds no mapping. Write `key: value` lines, from `asflown: 1` on"),
    "two documents": (
        "a: 1\n---\nb: 1\n",
        "2:1: a second document begins here. Give each scenario a file of its own",
    ),
    "key that is no text": ("? [1, 2]\n: 3\n", "1:3: a key must be plain text. Write `key: value`"),
    "tab": (
        "a:\n\tb: 1\n",
        (
            "2:1: the file is not YAML: while scanning for the next token, found character '\\t' that cannot start any "
            f"token. {LOOK}"
        ),
    ),
    "colon in text": ("a: b: c\n", f"1:5: the file is not YAML: mapping values are not allowed here. {LOOK}"),
    "open bracket": (
        "a: [1,\n  2\nb: 3\n",
        (
            "3:2: the file is not YAML: while parsing a flow sequence, expected ',' or ']', but got ':' "
            f"(begun on line 1). {LOOK}"
        ),
    ),
    "control character": ("a: \x07\n", "1:4: the character U+0007 may not stand in a file. Remove it"),
    "escaped NUL": ('a: "x\\0"\n', "1:4: the character U+0000 may not stand in a file. Remove it"),
    "half a surrogate": ('a: "\\ud800"\n', "1:4: the character U+D800 may not stand in a file. Remove it"),
    "too large": (
        "a: " + "x" * LARGEST_BYTES,
        "1:1: the file is larger than 1000 kB. Split it with `extends`",
    ),
}


@pytest.mark.parametrize(("text", "message"), REFUSED.values(), ids=REFUSED.keys())
def test_what_may_not_stand_in_a_file_is_refused(tmp_path: Path, text: str, message: str) -> None:
    """The whole message, with line and column."""
    file = tmp_path / "x.yaml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(FileProblem) as refused:
        read_tree(file)
    assert str(refused.value) == f"{file}:{message}"


def test_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    """Binary rubbish is named by its first byte and its place."""
    file = tmp_path / "x.yaml"
    file.write_bytes(b"a: 1\nb: \xff\xfe")
    with pytest.raises(FileProblem) as refused:
        read_tree(file)
    assert str(refused.value) == f"{file}:2:4: the byte 0xff is not UTF-8. Save it as UTF-8"


def test_a_file_that_cannot_be_read_says_why(tmp_path: Path) -> None:
    """A folder in place of a file is the user's mistake, with the system's reason."""
    with pytest.raises(UsageError) as refused:
        read_tree(tmp_path)
    assert str(refused.value) == f"{tmp_path} cannot be read: Is a directory. Check its name and permissions"


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("5", 5),
        ("-5", -5),
        ("1.5", 1.5),
        ("1e3", 1000.0),
        ("true", True),
        ("null", None),
        ("", None),
        ("on", "on"),
        ("no", "no"),
        ("12:30", "12:30"),
        ("2026-01-01", "2026-01-01"),
        ("0x10", "0x10"),
        ("9" * 5000, "9" * 5000),
        ('"5"', "5"),
        ("1.5 m", "1.5 m"),
    ],
    ids=lambda value: str(value)[:12],
)
def test_plain_values_follow_the_core_schema(tmp_path: Path, written: str, value: object) -> None:
    """Numbers, truth and nothing are recognised; words and times stay text."""
    file = tmp_path / "x.yaml"
    file.write_text(f"a: {written}\n", encoding="utf-8")
    assert plain(read_tree(file)) == {"a": value}


def test_aliases_stand_for_what_they_name(tmp_path: Path) -> None:
    """A small file may use anchors; the later of two of the same name counts."""
    file = tmp_path / "x.yaml"
    file.write_text("a: &x [1]\nb: *x\nc: &x 2\nd: *x\n", encoding="utf-8")
    assert plain(read_tree(file)) == {"a": [1], "b": [1], "c": 2, "d": 2}


@pytest.mark.parametrize(
    ("text", "column"),
    [
        ("a: height", 4),
        ('a: "height"', 5),
        ("a: 'height'", 5),
        ('a: "he\\x69ght"', None),
        ("a: >\n  height", None),
    ],
)
def test_text_knows_where_its_first_letter_stands(tmp_path: Path, text: str, column: int | None) -> None:
    """Inside quotes; unknown where escapes or line breaks move letters about."""
    file = tmp_path / "x.yaml"
    file.write_text(text, encoding="utf-8")
    root = read_tree(file)
    assert isinstance(root, Mapping)
    scalar = root.entries["a"]
    assert isinstance(scalar, Scalar)
    assert (scalar.text_starts.column if scalar.text_starts else None) == column
