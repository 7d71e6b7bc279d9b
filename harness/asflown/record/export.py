"""Writes a track for other programs: CSV and Parquet tables, and KML, GPX and GeoJSON for maps.

Tables are SI with unit and frame in the name of each column, shares from 0 to 1, times in seconds of flight beside
the Unix time of its beginning. Maps have latitude and longitude in degrees (WGS-84) and altitudes above mean sea
level in metres, as MAVLink reports them; a line is interrupted where positions are missing for more than GAP_S.

Sources: RFC 4180 (CSV), OGC 07-147r2 (KML 2.2), the GPX 1.1 schema, RFC 7946 (GeoJSON).
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal
from xml.etree import ElementTree as ET

import numpy as np

from asflown.errors import FolderProblem, UsageError
from asflown.frames import FloatArray
from asflown.record.table import TrackTable

Format = Literal["csv", "parquet", "kml", "gpx", "geojson"]
FORMATS: tuple[Format, ...] = ("csv", "parquet", "kml", "gpx", "geojson")
GAP_S = 1.0
_FEWEST_POINTS = 2


def written(table: TrackTable, to: Format) -> bytes:
    """The track in a format. Raises FolderProblem when it cannot be put on a map, UsageError without pyarrow."""
    return _WRITERS[to](table)


def _csv(table: TrackTable) -> bytes:
    """A line of names, then a line for each position; empty where nothing is known."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(["unix_time_us", *table.columns])
    times_us = _unix_us(table)
    for time_us, *row in zip(times_us, *(column.tolist() for column in table.columns.values()), strict=True):
        writer.writerow([time_us, *("" if math.isnan(value) else repr(value) for value in row)])
    return out.getvalue().encode("utf-8")


def _parquet(table: TrackTable) -> bytes:
    """Columns of doubles, the Unix time as a time stamp, and what they are about in the schema's metadata."""
    try:
        import pyarrow as pa  # noqa: PLC0415  an extra that most do without
        from pyarrow import parquet  # noqa: PLC0415
    except ImportError as error:
        raise UsageError(
            "Parquet needs the package pyarrow", "Install `asflown[parquet]`, or export csv"
        ) from error
    columns = {"unix_time": pa.array(_unix_us(table), pa.timestamp("us", tz="UTC"))}
    columns |= {name: pa.array(values, from_pandas=True) for name, values in table.columns.items()}
    about = {"flight": table.name, "source": table.source, "anchors": table.anchors}
    out = io.BytesIO()
    parquet.write_table(pa.table(columns).replace_schema_metadata(about), out)
    return out.getvalue()


def _kml(table: TrackTable) -> bytes:
    """A line for each stretch without gap, at its altitude, and points where it begins and ends."""
    root = ET.Element("kml", xmlns="http://www.opengis.net/kml/2.2")
    document = ET.SubElement(root, "Document")
    ET.SubElement(document, "name").text = table.name
    ET.SubElement(document, "description").text = f"{table.source}; {table.anchors}"
    placemark = ET.SubElement(document, "Placemark")
    ET.SubElement(placemark, "name").text = "track"
    span = ET.SubElement(placemark, "TimeSpan")
    times_us = _unix_us(table)
    for tag, time_us in (("begin", times_us[0]), ("end", times_us[-1])):
        ET.SubElement(span, tag).text = _iso(time_us)
    lines = ET.SubElement(placemark, "MultiGeometry")
    stretches = _stretches(table)
    for stretch in stretches:
        _kml_geometry(lines, "LineString", stretch)
    for name, point in (("begin", stretches[0][:1]), ("end", stretches[-1][-1:])):
        mark = ET.SubElement(document, "Placemark")
        ET.SubElement(mark, "name").text = name
        _kml_geometry(mark, "Point", point)
    return _xml(root)


def _kml_geometry(parent: ET.Element, kind: str, points: FloatArray) -> None:
    geometry = ET.SubElement(parent, kind)
    ET.SubElement(geometry, "altitudeMode").text = "absolute"
    ET.SubElement(geometry, "coordinates").text = " ".join(
        f"{longitude:.7f},{latitude:.7f},{altitude_m:.3f}"
        for _, latitude, longitude, altitude_m in points.tolist()
    )


def _gpx(table: TrackTable) -> bytes:
    """A track with a segment for each stretch without gap; each point has elevation and UTC time."""
    root = ET.Element("gpx", xmlns="http://www.topografix.com/GPX/1/1", version="1.1", creator="asflown")
    track = ET.SubElement(root, "trk")
    ET.SubElement(track, "name").text = table.name
    ET.SubElement(track, "desc").text = f"{table.source}; {table.anchors}"
    for stretch in _stretches(table):
        segment = ET.SubElement(track, "trkseg")
        for time_s, latitude, longitude, altitude_m in stretch.tolist():
            point = ET.SubElement(segment, "trkpt", lat=f"{latitude:.7f}", lon=f"{longitude:.7f}")
            ET.SubElement(point, "ele").text = f"{altitude_m:.3f}"
            ET.SubElement(point, "time").text = _iso(table.epoch_us + round(time_s * 1e6))
    return _xml(root)


def _geojson(table: TrackTable) -> bytes:
    """One feature: a line for each stretch without gap, and the flight times of its points in the properties."""
    stretches = _stretches(table)
    lines = [
        [[round(lon, 7), round(lat, 7), round(alt, 3)] for _, lat, lon, alt in stretch.tolist()]
        for stretch in stretches
    ]
    properties = {
        "flight": table.name,
        "source": table.source,
        "anchors": table.anchors,
        "altitude_m_above": "mean sea level",
        "begin_utc": _iso(table.epoch_us),
        "time_s": [[round(time_s, 6) for time_s in stretch[:, 0].tolist()] for stretch in stretches],
    }
    geometry = {"type": "MultiLineString", "coordinates": lines}
    feature = {"type": "Feature", "geometry": geometry, "properties": properties}
    collection = {"type": "FeatureCollection", "features": [feature]}
    return (json.dumps(collection, allow_nan=False) + "\n").encode("utf-8")


_WRITERS: dict[Format, Callable[[TrackTable], bytes]] = {
    "csv": _csv,
    "parquet": _parquet,
    "kml": _kml,
    "gpx": _gpx,
    "geojson": _geojson,
}


def _stretches(table: TrackTable) -> list[FloatArray]:
    """Time, latitude, longitude and altitude, in stretches without gap of at least two points, shape (n, 4) each.

    Raises FolderProblem where there is none.
    """
    problem = f"{table.name} does not say where on earth the vehicle was (GLOBAL_POSITION_INT)"
    if not table.has_places():
        raise FolderProblem(problem, "Export csv, or record global positions")
    names = ("time_s", "latitude_deg", "longitude_deg", "altitude_msl_m")
    rows = np.stack([table.columns[name] for name in names], axis=-1)
    rows = rows[np.isfinite(rows).all(axis=1)]
    parts = np.split(rows, np.flatnonzero(np.diff(rows[:, 0]) > GAP_S) + 1)
    stretches = [part for part in parts if len(part) >= _FEWEST_POINTS]
    if not stretches:
        raise FolderProblem(problem, "Export csv, or record global positions")
    return stretches


def _unix_us(table: TrackTable) -> list[int]:
    whole = table.epoch_us + np.rint(table.columns["time_s"] * 1e6).astype(np.int64)
    return [int(time_us) for time_us in whole]


def _iso(unix_us: int) -> str:
    """UTC by ISO 8601, to the millisecond."""
    at = datetime.fromtimestamp(0, UTC) + timedelta(microseconds=unix_us)
    return f"{at:%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03d}Z"


def _xml(root: ET.Element) -> bytes:
    ET.indent(root, " ")
    text: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def write(data: bytes, target: Path) -> None:
    """Replaces `target`. Raises FolderProblem when it cannot be written."""
    part = target.with_name(f".{target.name}.part")
    try:
        part.write_bytes(data)
        part.replace(target)
    except OSError as error:
        with contextlib.suppress(OSError):  # as where the file system is read-only
            part.unlink(missing_ok=True)
        raise FolderProblem(
            f"{target} cannot be written ({error.strerror})", "Name a place that can be written"
        ) from error
