"""The site of 500 flights: `python -m tests.benchmarks.site_of_500 [--real 3] [--page site.md]`.

Flies every demo on r1, r2 and r3 with `--real` seeds each, fills up to 500 by copies of these folders under new ids,
seeds and dates (they are drawn and compared as any other flight), and makes their site as a user would. Build times
are of whole commands, wall and CPU; paint times are Chromium's own entries, the median of five fresh contexts each.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, sync_playwright

from asflown.record.manifest import FILE_NAME
from tests.benchmarks.page import put, table

REPOSITORY = Path(__file__).parents[2]
FLIGHTS, MORE, ROUNDS = 500, 10, 5
RELEASES = ("r1", "r2", "r3")
SWITCHES = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
]
PAINT = "() => performance.getEntriesByType('paint').map(one => [one.name, one.startTime])"
FILTER = """async (word) => {
  const field = document.getElementById('filter');
  const begin = performance.now();
  field.value = word;
  field.dispatchEvent(new Event('input', {bubbles: true}));
  await new Promise(done => requestAnimationFrame(() => setTimeout(done, 0)));
  return performance.now() - begin;
}"""


def asflown(*words: str) -> tuple[float, float]:
    """Runs the command; returns its wall and CPU seconds, all processes together."""
    before, begin = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    ended = subprocess.run(
        [sys.executable, "-m", "asflown", *words], cwd=REPOSITORY, capture_output=True, text=True, check=False
    )
    wall_s, after = time.perf_counter() - begin, resource.getrusage(resource.RUSAGE_CHILDREN)
    if ended.returncode not in (0, 1):
        sys.exit(ended.stderr)
    return wall_s, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def fly(store: Path, seeds: int) -> None:
    """Flies the demos on each release, on the vehicle that each names."""
    for folder in sorted((REPOSITORY / "scenarios").glob("*/*.scenario.yaml")):
        text = folder.read_text(encoding="utf-8")
        craft = "field1400" if "field1400" in text else "palm80"
        for release in RELEASES:
            asflown(
                "fly", str(folder), "--vehicle", f"{craft}@{release}", "--flights", str(seeds), "--keep", str(store),
                "--workers", str(os.cpu_count() or 1),
            )  # fmt: skip


def fill(store: Path, number: int) -> None:
    """Copies flights until there are so many, each under an id, seed and date of its own."""
    real = sorted(folder for folder in store.iterdir() if folder.is_dir())
    for copy in range(len(real), number):
        source = real[copy % len(real)]
        manifest = json.loads((source / FILE_NAME).read_text(encoding="utf-8"))
        flown = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(hours=copy)
        manifest["seed"], manifest["started_utc"] = 10_000 + copy, flown.isoformat()
        manifest["flight_id"] = f"copy-{copy:04d}-{source.name}"
        target = store / manifest["flight_id"]
        shutil.copytree(source, target)
        (target / FILE_NAME).write_text(json.dumps(manifest, indent=2) + "\n", encoding="utf-8")


def painted(browser: Browser, address: str) -> tuple[float, float]:
    """First contentful paint and the end of loading, milliseconds after navigation."""
    paints, loads = [], []
    for _ in range(ROUNDS):
        page = browser.new_context(viewport={"width": 1200, "height": 900}).new_page()
        page.goto(address, wait_until="load")
        found = dict(page.evaluate(PAINT))
        while "first-contentful-paint" not in found:  # loading may end before the first frame is drawn
            page.wait_for_timeout(50)
            found = dict(page.evaluate(PAINT))
        paints.append(found["first-contentful-paint"])
        loads.append(page.evaluate("() => performance.getEntriesByType('navigation')[0].loadEventEnd"))
        page.context.close()
    return statistics.median(paints), statistics.median(loads)


def filtered(browser: Browser, address: str) -> float:
    """From a word in the filter to the next frame, milliseconds; the slowest of several words."""
    page = browser.new_context().new_page()
    page.goto(address)
    found: list[Any] = [page.evaluate(FILTER, word) for word in ("nest", "", "r2", "nothing of the sort", "")]
    page.context.close()
    return float(max(found))


def sizes(site: Path) -> list[list[str]]:
    """Of the whole, and of the largest page of each kind."""
    whole = sum(file.stat().st_size for file in site.rglob("*") if file.is_file())
    rows = [["whole site", f"{whole / 1e6:.1f} MB"]]
    for kind, pattern in (
        ("overview", "index.html"),
        ("flight", "flights/*.html"),
        ("comparison", "comparisons/*.html"),
    ):
        pages = [file.stat().st_size for file in site.glob(pattern)]
        if pages:
            rows.append([f"largest {kind} page of {len(pages)}", f"{max(pages) / 1e3:.0f} kB"])
    shared = sum(file.stat().st_size for file in (site / "assets").iterdir())
    return [*rows, ["shared by all pages", f"{shared / 1e3:.0f} kB"]]


def evidence(store: Path, site: Path, real: int) -> list[list[str]]:
    """All figures as rows."""

    def build(what: str) -> list[str]:
        places = sorted(str(folder) for folder in store.iterdir() if folder.is_dir())
        wall_s, cpu_s = asflown("report", *places, "--site", str(site))
        return [what, f"{wall_s:.1f} s, {cpu_s:.1f} s of CPU"]

    fill(store, FLIGHTS)
    rows = [build(f"first build, {FLIGHTS} flights ({real} of them flown, the others copies)")]
    rows.append(build("again, nothing new"))
    fill(store, FLIGHTS + MORE)
    rows += [build(f"again, {MORE} flights more"), *sizes(site)]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=SWITCHES)
        pages = {
            "overview": site / "index.html",
            "flight page, the largest": max(
                (site / "flights").glob("*.html"), key=lambda file: file.stat().st_size
            ),
            "comparison page": next((site / "comparisons").glob("*.html")),
        }
        for name, page in pages.items():
            paint_ms, load_ms = painted(browser, page.as_uri())
            rows.append([f"{name}: first contentful paint", f"{paint_ms:.0f} ms (loaded {load_ms:.0f} ms)"])
        rows.append(
            [
                "overview: a word in the filter to the next frame",
                f"{filtered(browser, pages['overview'].as_uri()):.0f} ms",
            ]
        )
        browser.close()
    return rows


def main() -> None:
    """Flies, copies, builds, looks; prints a table, and puts it into a page of the guide if asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--real", type=int, default=3, metavar="N", help="seeds of each demo and release that are flown"
    )
    parser.add_argument(
        "--store", type=Path, metavar="DIR", help="flights that were flown before, copied from here"
    )
    parser.add_argument("--page", metavar="FILE", help="put the table into this page of harness/docs")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        store = Path(place) / "flights"
        if options.store is None:
            store.mkdir()
            fly(store, options.real)
        else:
            shutil.copytree(options.store, store)
        real = sum(folder.is_dir() for folder in store.iterdir())
        shown = table(["what", "figure"], evidence(store, Path(place) / "site", real))
    print(shown)
    if options.page:
        put(options.page, "site_of_500", shown)


if __name__ == "__main__":
    main()
