"""The guides as pages: every link and picture leads to a file that was written, and no page is left alone."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlparse

import pytest

from asflown.cli import docs
from asflown.cli.main import main
from asflown.cli.pages import PAGES
from asflown.report.guides import INDEX, anchor, write_guides


class Reader(HTMLParser):
    """What a page names: where it leads, what it shows, and its own places."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.leads: list[str] = []
        self.places: set[str] = set()
        self.elsewhere: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Notes the attributes that lead somewhere."""
        of = dict(attrs)
        self.leads += [of[key] or "" for key in ("href", "src") if key in of]
        self.places |= {of["id"] or ""} if "id" in of else set()
        self.elsewhere += [of["title"] or ""] if of.get("class") == "elsewhere" else []


def broken(folder: Path) -> list[str]:
    """Links and pictures of all pages below `folder` that lead nowhere, or out of it."""
    pages = {file: Reader(file.read_text(encoding="utf-8")) for file in folder.rglob("*.html")}
    assert pages
    found = []
    for file, page in pages.items():
        for target in page.leads:
            url = urlparse(target)
            if url.scheme in {"http", "https", "data"}:
                continue
            there = (file.parent / unquote(url.path)).resolve() if url.path else file
            known = pages.get(there)
            inside = there.is_relative_to(folder.resolve()) and there.is_file()
            if not inside or (url.fragment and known is not None and url.fragment not in known.places):
                found.append(f"{file.relative_to(folder)}: {target}")
    return found


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All guides and the reference, written once."""
    folder = tmp_path_factory.mktemp("guides")
    assert main(["docs", "--html", str(folder)]) == 0
    return folder


def test_every_link_and_picture_leads_to_something_that_was_written(book: Path) -> None:
    """Also to headings; and what is not among the pages is named as a place of the sources."""
    assert broken(book) == []
    assert {one for page in book.rglob("*.html") for one in Reader(page.read_text()).elsewhere} == {
        "in the sources: DEVELOPERS.md", "in the sources: LICENSE", "in the sources: ci/templates",
    }  # fmt: skip


def test_every_guide_and_reference_page_stands_in_the_index_of_each_page(book: Path) -> None:
    """Whichever page is open, all others are one step away."""
    guides = {f"{name}.html" for name in docs.guides()}
    reference = {f"reference/{page.name}.html" for page in PAGES}
    leads = set(Reader((book / "index.html").read_text()).leads)
    assert (guides | reference | {"readme.html"}) <= leads
    assert {f"../{name}" for name in guides} <= set(
        Reader((book / "reference" / "errors.html").read_text()).leads
    )


def test_a_page_has_neither_scripts_nor_comments(book: Path) -> None:
    """Nothing runs, nothing is fetched, and notes for tests stay in the sources."""
    for page in book.rglob("*.html"):
        text = page.read_text(encoding="utf-8")
        assert not re.search(r"<script|<!--|&lt;!-- (not run|before)", text), page
        assert "default-src 'none'" in text


def test_markup_of_code_is_shown_and_not_obeyed(tmp_path: Path) -> None:
    """A heading gets the name that servers of repositories give it."""
    pages = {
        INDEX: "# Guides\n\n## All\n\n- [one](one.md)\n",
        "harness/docs/one.md": "# A `<b>` & C\n\n<b>x</b>\n",
    }
    written = write_guides(tmp_path, pages, {})
    text = written["harness/docs/one.md"].read_text()
    assert '<h1 id="a-b--c">A <code>&lt;b&gt;</code> &amp; C</h1>' in text
    assert "<b>" not in text
    assert anchor("A `<b>` & C") == "a-b--c"


def test_one_page_is_named_where_it_was_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Its address is printed; a misspelt one is told before anything is written."""
    assert main(["docs", "tutorial", "--html", str(tmp_path / "a")]) == 0
    assert capsys.readouterr().out == f"{(tmp_path / 'a' / 'tutorial.html').as_uri()}\n"
    assert main(["docs", "tutoral", "--html", str(tmp_path / "b")]) == 2
    assert "Did you mean `tutorial`?" in capsys.readouterr().err
    assert not (tmp_path / "b").exists()


def test_the_browser_is_given_pages_from_the_cache(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A program named as the browser is started with the address; where none is found, the address is left."""
    seen = tmp_path / "seen"
    browser = tmp_path / "browser"
    browser.write_text(f'#!/bin/sh\necho "$1" > {seen}\n')
    browser.chmod(0o755)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setattr("webbrowser._tryorder", None)
    monkeypatch.setenv("BROWSER", f"{browser} %s")
    assert main(["docs", "--open"]) == 0
    address = seen.read_text().strip()
    assert address == capsys.readouterr().out.strip()
    assert address.startswith((tmp_path / "cache" / "asflown").as_uri())
