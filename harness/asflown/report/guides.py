"""The guides and the reference as pages that a browser opens from a folder: no network, and no script in them.

Sources are known by their place in the repository, `harness/docs/tutorial.md`, so that links are followed as they are
written. A link to something that is not among the pages and files is left as words, with the place in a tooltip.
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any

from markdown_it import MarkdownIt
from markdown_it.token import Token
from markupsafe import Markup

from asflown.report import atomic
from asflown.report.site.page import environment
from asflown.report.terminal import CAUTION

INDEX, README = "harness/docs/README.md", "README.md"
_DOCS = "harness/docs/"
_ASSETS = ("site.css", "guides.css")
_PICTURE = re.compile(r'<img src="([^"]+)"[^>]*?alt="([^"]*)"[^>]*>')
_ELSEWHERE = re.compile(r"[a-z][a-z0-9+.-]*:")


@dataclass(frozen=True, slots=True)
class Entry:
    """A line of the index: a page, by its place among the pages, and what the index calls it."""

    place: str
    label: str


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the index."""

    title: str
    entries: tuple[Entry, ...]


def write_guides(folder: Path, pages: Mapping[str, str], beside: Mapping[str, Path]) -> dict[str, Path]:
    """Writes all pages, Markdown by place, and the files beside them; returns where each page is.

    Raises FolderProblem where they cannot be written.
    """
    book = _Book(pages, beside)
    template = environment().get_template("guide.html.j2")
    order = [entry for section in book.index for entry in section.entries]
    for place in pages:
        out = page_place(place)
        at = next((n for n, entry in enumerate(order) if entry.place == out), None)
        title, content = book.content(place)
        text = template.render(
            title=title, content=content, index=book.index, here=out, link=_Relative(out), cautions=CAUTION,
            before=None if not at else order[at - 1],
            after=None if at is None or at + 1 == len(order) else order[at + 1],
        )  # fmt: skip
        atomic.write_text(folder / out, text, durable=False)
    for place, file in beside.items():
        atomic.write_bytes(folder / _file_place(place), file.read_bytes(), durable=False)
    for name in _ASSETS:
        asset = files("asflown.report.site") / "assets" / name
        atomic.write_text(folder / "assets" / name, asset.read_text(encoding="utf-8"), durable=False)
    return {place: folder / page_place(place) for place in pages}


def page_place(place: str) -> str:
    """`harness/docs/reference/errors.md` is `reference/errors.html`, and the index of guides `index.html`."""
    if place in {INDEX, README}:
        return "index.html" if place == INDEX else "readme.html"
    return f"{_file_place(place).removesuffix('.md')}.html"


def _file_place(place: str) -> str:
    return place.removeprefix(_DOCS)


@dataclass(frozen=True, slots=True)
class _Relative:
    """How a page spells the way to another."""

    here: str

    def __call__(self, there: str) -> str:
        return posixpath.relpath(there, posixpath.dirname(self.here) or ".")


class _Book:
    """All pages together: where links lead, and the index that stands beside each."""

    def __init__(self, pages: Mapping[str, str], beside: Mapping[str, Path]) -> None:
        self._pages = pages
        self._out = {place: page_place(place) for place in pages} | {one: _file_place(one) for one in beside}
        self._markdown = MarkdownIt("commonmark").enable("table")
        self._markdown.add_render_rule("table_open", _open_table)
        self._markdown.add_render_rule("table_close", _close_table)
        self.index = tuple(self._index())

    def content(self, place: str) -> tuple[str, Markup]:
        """The title of a page, and the page as HTML."""
        tokens = self._parsed(place)
        title = next((_words(after) for one, after in _headings(tokens) if one.tag == "h1"), place)
        for one, after in _headings(tokens):
            one.attrSet("id", anchor(_words(after)))
        for one in tokens:
            one.content = "" if one.type == "html_block" else one.content
            for child in one.children or ():
                self._lead(place, child)
        return title, Markup(self._markdown.renderer.render(tokens, self._markdown.options, {}))  # noqa: S704  our own pages

    def _parsed(self, place: str) -> list[Token]:
        return self._markdown.parse(_PICTURE.sub(r"![\2](\1)", self._pages[place]))

    def _lead(self, place: str, token: Token) -> None:
        """Lets a link or a picture lead to where its target is now; comments are dropped."""
        if token.type == "html_inline":
            token.content = ""
        key = {"link_open": "href", "image": "src"}.get(token.type)
        if key is None:
            return
        target = str(token.attrGet(key))
        if _ELSEWHERE.match(target):
            token.attrSet("rel", "noreferrer")
            return
        led = self._led(place, target)
        if led is None:
            token.attrs = {"class": "elsewhere", "title": f"in the sources: {_normal(place, target)}"}
        else:
            token.attrSet(key, led)

    def _led(self, place: str, target: str) -> str | None:
        """Where a target of this page is among the pages, seen from the page; None where it is not among them."""
        path, hash_sign, name = target.partition("#")
        if not path:
            return target
        there = self._out.get(_normal(place, path))
        return None if there is None else f"{_Relative(self._out[place])(there)}{hash_sign}{name}"

    def _index(self) -> Iterator[Section]:
        """The sections of the index with the pages they name, in their order; the first names the index and README."""
        title, entries = "asflown", [Entry("index.html", "All guides")]
        if README in self._pages:
            entries.append(Entry("readme.html", "What it is"))
        tokens = self._parsed(INDEX)
        for one, after in zip(tokens, [*tokens[1:], Token("end", "", 0)], strict=True):
            if one.type == "heading_open" and one.tag == "h2":
                yield Section(title, tuple(entries))
                title, entries = _words(after), []
            entries += self._entries(one.children or [])
        yield Section(title, tuple(entries))

    def _entries(self, tokens: list[Token]) -> Iterator[Entry]:
        for at, one in enumerate(tokens):
            if one.type == "link_open":
                out = self._out.get(_normal(INDEX, str(one.attrGet("href"))), "")
                end = next(n for n in range(at, len(tokens)) if tokens[n].type == "link_close")
                if out.endswith(".html"):
                    label = _joined(tokens[at:end])
                    yield Entry(out, label[:1].upper() + label[1:])


def anchor(heading: str) -> str:
    """The name of a heading as servers of repositories make it."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")


def _normal(place: str, target: str) -> str:
    return posixpath.normpath(posixpath.join(posixpath.dirname(place), target.partition("#")[0]))


def _headings(tokens: list[Token]) -> Iterator[tuple[Token, Token]]:
    """The opening of each heading, and what stands in it."""
    for one, after in pairwise(tokens):
        if one.type == "heading_open":
            yield one, after


def _words(token: Token) -> str:
    return _joined(token.children or [])


def _joined(tokens: list[Token]) -> str:
    return "".join(" " if one.type == "softbreak" else one.content for one in tokens)


def _open_table(_renderer: Any, _tokens: Any, _at: int, _options: Any, _env: Any) -> str:
    """A wide table moves under its reader's hand, also that on the keyboard."""
    return '<div class="wide" tabindex="0" role="group" aria-label="table"><table>\n'


def _close_table(_renderer: Any, _tokens: Any, _at: int, _options: Any, _env: Any) -> str:
    return "</table></div>\n"
