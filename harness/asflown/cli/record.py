"""`asflown record export`: what a flight recorded, for other programs."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from asflown.cli.parsing import SubParsers, command

DESCRIPTION = """\
Writes the track of a recorded flight, or of any tlog, as a table (csv, parquet) or for a map (kml, gpx, geojson).
Columns have units and frames in their names. Nothing is filled in where positions are missing.
"""

EXAMPLES = """\
examples:
  asflown record export .asflown/flights/FOLDER --to csv > flight.csv
  asflown record export .asflown/flights/FOLDER --to kml --source truth --output flight.kml
  asflown record export field-day.tlog --to parquet --output field-day.parquet
"""
FORMATS = ("csv", "parquet", "kml", "gpx", "geojson")


def add_parser(commands: SubParsers) -> None:
    """Adds `record` to the command."""
    says = "hand recorded flights to other programs"
    parser = command(commands, "record", says, f"{says[:1].upper()}{says[1:]}.", EXAMPLES)
    subcommands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    export = command(
        subcommands, "export", "write a track as csv, parquet, kml, gpx or geojson", DESCRIPTION, EXAMPLES
    )
    add = export.add_argument
    add("path", type=Path, metavar="FLIGHT", help="a flight's folder, or a tlog")
    add("--to", required=True, choices=FORMATS, help="what to write")
    add(
        "--source",
        choices=("estimate", "truth"),
        default="estimate",
        help="what the vehicle reported (the default), or what the simulation knows",
    )
    add("--output", type=Path, metavar="FILE", help="where to; standard output when it is left out")
    export.set_defaults(run=run_export)


def run(options: argparse.Namespace) -> int:
    """Runs the subcommand; returns the exit code."""
    return int(options.run(options))


def run_export(options: argparse.Namespace) -> int:
    """Writes the track; returns the exit code. Raises UsageError and FolderProblem for what cannot be written."""
    from asflown.errors import UsageError
    from asflown.record import export
    from asflown.record.table import track_table

    if options.output is None and options.to == "parquet" and sys.stdout.isatty():
        raise UsageError("a Parquet file is nothing for a terminal", "Add --output FILE")
    if not options.path.exists():
        raise UsageError(f"there is no file or folder {options.path}", "Name a flight's folder or a tlog")
    data = export.written(track_table(options.path, options.source), options.to)
    if options.output is None:
        sys.stdout.buffer.write(data)
    else:
        export.write(data, options.output)
    return 0
