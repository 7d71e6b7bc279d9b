"""Exported tracks read by programs of others: KML by the published schema, GPX, GeoJSON, Parquet and CSV by readers.

Sources: OGC 07-147r2 (KML 2.2; its schema comes with the package fastkml), GPX 1.1 (package gpxpy), RFC 7946
(package geojson-pydantic), RFC 4180 (the standard library's csv), Apache Parquet (package pyarrow).
"""

from __future__ import annotations

import csv
import io
import json
import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import fastkml
import gpxpy
import numpy as np
import pyarrow as pa
import pytest
import xmlschema
from geojson_pydantic import FeatureCollection
from pyarrow import parquet

from asflown.errors import FolderProblem
from asflown.frames import TangentPlane
from asflown.record import export
from asflown.record.table import TrackTable, track_table
from tests.unit.grade.flights import flight_of
from tests.unit.grade.paths import round_trip
from tests.unit.record.flown import EPOCH_US, write_flight

GAP_S = (20.0, 25.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A flight round four boxes; for five seconds nothing of it was heard."""
    return write_flight(tmp_path_factory.mktemp("export") / "f<&>1", flight_of(round_trip(), silent_s=GAP_S))


@pytest.fixture(scope="module")
def table(folder: Path) -> TrackTable:
    return track_table(folder)


def places(table: TrackTable) -> list[tuple[float, float, float]]:
    """Longitude, latitude and altitude of all rows."""
    names = ("longitude_deg", "latitude_deg", "altitude_msl_m")
    return list(zip(*(table.columns[name].tolist() for name in names), strict=True))


def test_kml_holds_to_the_published_schema(table: TrackTable) -> None:
    """OGC 07-147r2: the file validates against ogckml22.xsd."""
    folder = Path(fastkml.__file__).parent / "schema"
    schema = xmlschema.XMLSchema(str(folder / "ogckml22.xsd"), base_url=str(folder), allow="local")
    schema.validate(io.BytesIO(export.written(table, "kml")))


def test_kml_read_back_has_every_position_and_the_gap(table: TrackTable) -> None:
    """The package fastkml finds the name, two lines about the gap, and each position that differs from the last."""
    text = export.written(table, "kml").decode().partition("?>")[2]
    document: Any = fastkml.KML.from_string(text, strict=True).features[0]
    assert document.name == "f<&>1"
    lines = list(document.features[0].geometry.geoms)
    assert len(lines) == 2
    found = np.array([point for line in lines for point in line.coords])
    rounded = np.array([(round(lon, 7), round(lat, 7), round(alt, 3)) for lon, lat, alt in places(table)])
    moved = np.concatenate([[True], (np.diff(rounded, axis=0) != 0).any(axis=1)])  # the package drops repeats
    np.testing.assert_allclose(found, rounded[moved], atol=1e-9)


def test_gpx_read_back_has_every_position_with_its_time(table: TrackTable) -> None:
    """The package gpxpy finds two segments, and latitude, longitude, elevation and UTC time of each position."""
    track = gpxpy.parse(export.written(table, "gpx").decode()).tracks[0]
    assert track.name == "f<&>1"
    assert [len(segment.points) for segment in track.segments] == [400, 309]
    points = [point for segment in track.segments for point in segment.points]
    found = [(point.longitude, point.latitude, point.elevation) for point in points]
    np.testing.assert_allclose(np.array(found), np.array(places(table)), atol=1e-3)
    assert points[0].time == datetime(2025, 1, 1, 0, 0, 0, 3000, tzinfo=UTC)


def test_geojson_is_what_the_standard_has(table: TrackTable) -> None:
    """RFC 7946: a FeatureCollection, longitude first, with a time for each position."""
    collection: FeatureCollection[Any] = FeatureCollection.model_validate_json(
        export.written(table, "geojson")
    )
    (feature,) = collection.features
    lines = feature.geometry.coordinates
    found = [tuple(point) for line in lines for point in line]
    np.testing.assert_allclose(np.array(found), np.array(places(table)), atol=1e-3)
    times = json.loads(export.written(table, "geojson"))["features"][0]["properties"]["time_s"]
    assert [len(part) for part in times] == [len(line) for line in lines]


def test_csv_read_back_is_the_table(table: TrackTable) -> None:
    """Each cell is the number it was, to the last bit; what is not known is empty."""
    names, *rows = list(csv.reader(io.StringIO(export.written(table, "csv").decode(), newline="")))
    assert names == ["unix_time_us", *table.columns]
    for number, name in enumerate(names[1:], start=1):
        cells = np.array([math.nan if row[number] == "" else float(row[number]) for row in rows])
        np.testing.assert_array_equal(cells, table.columns[name])
    assert int(rows[0][0]) == EPOCH_US + round(table.columns["time_s"][0] * 1e6)


def test_parquet_read_back_is_the_table(table: TrackTable) -> None:
    """Columns of doubles beside a UTC time stamp; source and anchors stand in the metadata."""
    read = parquet.read_table(io.BytesIO(export.written(table, "parquet")))
    assert read.column_names == ["unix_time", *table.columns]
    assert read.schema.field("unix_time").type == pa.timestamp("us", tz="UTC")
    for name, values in table.columns.items():
        np.testing.assert_array_equal(read.column(name).to_numpy(), values)
    assert read.schema.metadata[b"source"] == b"estimate"


def test_truth_is_placed_by_the_home_of_the_flight(folder: Path) -> None:
    """The truth's latitude and longitude are those of its north, east and down about the scenario's home."""
    manifest = json.loads((folder / "flight.json").read_text())
    manifest["start"] = {"home": {"latitude_deg": 52.0, "longitude_deg": 4.5, "altitude_m": 0.0}}
    (folder / "flight.json").write_text(json.dumps(manifest))
    columns = track_table(folder, "truth").columns
    row = [float(columns[name][2000]) for name in ("north_m", "east_m", "down_m")]
    latitude, longitude, altitude_m = TangentPlane(52.0, 4.5, 0.0).to_geodetic(*row)
    found = [float(columns[name][2000]) for name in ("latitude_deg", "longitude_deg", "altitude_msl_m")]
    assert found == pytest.approx([latitude, longitude, altitude_m], abs=1e-9)


@pytest.mark.parametrize("to", ["kml", "gpx", "geojson"])
def test_without_global_positions_there_is_no_map(table: TrackTable, to: export.Format) -> None:
    """A capture that does not say where on earth it was is refused with the message that is missing."""
    names = [name for name in table.columns if "_deg" not in name]
    bare = TrackTable(table.name, table.source, 0, {name: table.columns[name] for name in names}, "")
    with pytest.raises(FolderProblem, match="GLOBAL_POSITION_INT"):
        export.written(bare, to)
