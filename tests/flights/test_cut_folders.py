"""A flight's folder of which a file is not whole: it opens, or one sentence says what is missing."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from asflown.record import manifest as manifests
from tests.flights import cutting
from tests.flights.cut_readers import CutReaders
from tests.flights.cutting import Cutter, boundaries, one_parser
from tests.flights.flying import COMMANDING, HELLO, fly, write_scenario

UP_AND_DOWN = (
    COMMANDING
    + """\
command(400, 1)
command(22, 0, 0, 0, 0, 0, 0, 2)
time.sleep(4)
command(21)
while link.recv_match(type="HEARTBEAT", blocking=True).base_mode & 128:
    link.mav.heartbeat_send(6, 8, 0, 0, 0)
print("down")
"""
)
EVERY_NTH = 12
"""Of the lengths at which something may change, how many are left out here; the evidence run takes all."""


@pytest.fixture(scope="module")
def flight(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a short flight that passes."""
    folder = tmp_path_factory.mktemp("cut")
    flown = fly(folder, write_scenario(folder, HELLO + UP_AND_DOWN))
    assert flown.exit_code == 0, flown.says()
    return flown.folders[0]


def lengths(folder: Path, name: str) -> list[int]:
    """A few lengths, among them the ends, about record boundaries and between them."""
    size = (folder / name).stat().st_size
    at = boundaries(folder, name)
    about = {edge + more for edge in at[:: len(at) // EVERY_NTH + 1] for more in (-1, 0, 1, 9)}
    return sorted({length for length in about if 0 <= length <= size} | {0, max(0, size - 1), size})


@pytest.mark.flight
@pytest.mark.parametrize("closed", [True, False], ids=["closed", "interrupted"])
def test_every_file_may_be_cut_short(flight: Path, tmp_path: Path, *, closed: bool) -> None:
    """`grade` and `report` open what is there, and say which file is not whole; nothing is concluded from it."""
    source = tmp_path / "source"
    shutil.copytree(flight, source)
    if not closed:
        open_manifest = manifests.read(source).model_copy(update={"outcome": "interrupted", "captures": {}})
        manifests.write(open_manifest, source)
        (source / "grade.json").unlink()
    cutter = Cutter(source, tmp_path / "copy")
    before_kb = cutting.memory_kb()
    with one_parser():
        wrong = [
            (seen.file, seen.length, seen.wrong(closed=closed))
            for name in cutter.sizes()
            for seen in cutter.looks(name, lengths(source, name))
        ]
    assert len(wrong) > 100
    assert [one for one in wrong if one[2]] == []
    assert cutting.memory_kb() - before_kb < cutting.MEMORY_KB_MOST


@pytest.mark.flight
def test_a_reader_gives_what_was_whole_before_the_cut(flight: Path, tmp_path: Path) -> None:
    """Of every file: the records before the cut and no other, or the file is named; and how much is missing of it."""
    readers = CutReaders(flight, tmp_path / "copy")
    looked = [
        (file.name, length, wrong)
        for file in sorted(flight.iterdir())
        for length, wrong in readers.looks(file.name, reversed(lengths(flight, file.name)))
    ]
    assert len(looked) > 100
    assert [one for one in looked if one[2]] == []


def test_pages_of_a_cut_flight_say_what_is_missing(flight: Path, tmp_path: Path) -> None:
    """The site shows what is there, and names the file that is not whole."""
    cutter = Cutter(flight, tmp_path / "copy")
    os.truncate(cutter.folder / "vehicle.tlog", 10_000)
    code, said = cutter.site()
    assert code == 0, said  # its grade was made while it was whole
    pages = "".join(page.read_text(encoding="utf-8") for page in (tmp_path / "site").rglob("*.html"))
    assert "vehicle.tlog is cut short: 10000 of " in pages
