"""The truth of a simulated flight, `truth.npy`: what was, not what the vehicle believed.

The file is an ordinary NumPy array of float64 rows. Its header is padded, so that the number of rows can be
put in at the end; a file whose writer was killed says 0 rows and is read by its length instead.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import numpy as np
import numpy.typing as npt

from asflown import files
from asflown.errors import FolderProblem

FILE_NAME = "truth.npy"

TRUTH_COLUMNS = (
    "time_s",
    "north_m",
    "east_m",
    "down_m",
    "velocity_north_m_s",
    "velocity_east_m_s",
    "velocity_down_m_s",
    "roll_rad",
    "pitch_rad",
    "yaw_rad",
    "roll_rate_rad_s",
    "pitch_rate_rad_s",
    "yaw_rate_rad_s",
    "battery",
    "on_ground",
    "armed",
)
"""Columns (float64, 100 Hz). Position about the true home; battery 0 to 1; flags 0 or 1; yaw -pi to pi."""

ROW_BYTES = 8 * len(TRUTH_COLUMNS)
HEADER_BYTES = 128


def header(rows: int) -> bytes:
    """The header of a `truth.npy` with `rows` rows: NumPy's format 1.0, HEADER_BYTES long whatever `rows` is."""
    described = f"{{'descr': '<f8', 'fortran_order': False, 'shape': ({rows}, {len(TRUTH_COLUMNS)}), }}"
    text_bytes = HEADER_BYTES - len(np.lib.format.magic(1, 0)) - 2
    text = described.ljust(text_bytes - 1) + "\n"
    return np.lib.format.magic(1, 0) + text_bytes.to_bytes(2, "little") + text.encode("ascii")


def read(folder: Path) -> npt.NDArray[np.float64]:
    """The truth of the flight in `folder`: shape (rows, columns), also when its writer was killed mid-row.

    Raises FolderProblem when there is no truth, the file is something else, or it was whole and is cut short.
    """
    path = folder / FILE_NAME
    try:
        with files.open_plain(path, follow=False) as file:
            size = os.fstat(file.fileno()).st_size
            head = file.read(HEADER_BYTES)
            rows = max(0, size - HEADER_BYTES) // ROW_BYTES
            written = _rows_of(head)
            if not head or not header(written).startswith(head) or 0 < written < rows:
                raise FolderProblem(
                    f"{path} is not a flight's truth", "Use a folder written by `asflown fly`"
                )
            if written > rows:
                raise FolderProblem(
                    f"{path} is cut short: {rows} of its rows are there", "Take a whole copy of the folder"
                )
            values = np.fromfile(file, dtype="<f8", count=rows * len(TRUTH_COLUMNS))
    except OSError as error:
        raise FolderProblem(
            f"{path} cannot be read ({error.strerror})",
            "Only simulated flights have a truth; grade the estimate",
        ) from error
    return values.reshape(-1, len(TRUTH_COLUMNS))


def _rows_of(head: bytes) -> int:
    """How many rows a header promises, as far as it is there; 0 where its writer never closed it."""
    found = re.search(rb"'shape': \((\d{1,12})", head)
    return int(found[1]) if found else 0
