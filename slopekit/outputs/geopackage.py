"""What every GeoPackage that we write shares: one fixed moment, QGIS styles, and how a failing disk is told."""

import contextlib
import sqlite3
import warnings
from collections.abc import Iterator, Sequence
from pathlib import Path, PurePath
from typing import Any
from urllib.parse import quote

import pandas as pd
import pyogrio
from pyogrio import errors as ogr

from slopekit.outputs.styles import Style

# One fixed moment instead of the clock: the same result gives the same bytes.
MOMENT = "1970-01-01T00:00:00.000Z"
GEOMETRY_COLUMN = "geom"
VERSION = "1.2"
_OGR_FAULTS = (ogr.DataSourceError, ogr.DataLayerError, ogr.FeatureError)
# SQLite's primary result codes for a disk that fails us; any other code is a fault of the program.
_DISK_CODES = {
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_CORRUPT,
    sqlite3.SQLITE_NOTADB,
    sqlite3.SQLITE_PERM,
}


def write_styles(temp: Path, styles: Sequence[Style], meanings: Sequence[str]) -> None:
    """Add the table in which QGIS looks for the default style of each layer."""
    count = len(styles)
    # QGIS asks for rows whose schema is an empty text, not NULL.
    table = pd.DataFrame(
        {
            "f_table_catalog": [""] * count,
            "f_table_schema": [""] * count,
            "f_table_name": [s.layer for s in styles],
            "f_geometry_column": [GEOMETRY_COLUMN] * count,
            "styleName": [s.name for s in styles],
            "styleQML": [s.qml for s in styles],
            "styleSLD": [s.sld for s in styles],
            "useAsDefault": [True] * count,
            "description": list(meanings),
            "owner": [""] * count,
            "ui": [None] * count,
            "update_time": pd.to_datetime([MOMENT] * count),
        }
    )
    pyogrio.write_dataframe(table, temp, layer="layer_styles", driver="GPKG", layer_options={"FID": "id"})


@contextlib.contextmanager
def finishing(temp: Path) -> Iterator[sqlite3.Connection]:
    """A connection for the last changes to a database, all or none of them. At its end what differs from run to run is
    taken out: the clock, and how often the library wrote, which depends on the file system.

    SQLite's database file format (sqlite.org/fileformat2.html), 1.3: the count of changes stands at byte 24, and again
    at byte 92 to tell that the size in the header holds.
    """
    with contextlib.closing(sqlite3.connect(temp)) as db:
        # A log file of its own would be lost when the database is renamed.
        db.execute("PRAGMA journal_mode = DELETE")
        with db:
            yield db
            db.execute("UPDATE gpkg_contents SET last_change = ?", (MOMENT,))
    with open(temp, "r+b") as file:
        for place in (24, 92):
            file.seek(place)
            file.write((1).to_bytes(4, "big"))


@contextlib.contextmanager
def disk_faults() -> Iterator[None]:
    """Tell what the libraries say about a failing disk as an OSError, the one thing that `written` knows."""
    try:
        yield
    except _OGR_FAULTS as error:
        # GDAL's own words quote half the SQL; they stay in the cause.
        raise OSError("the disk did not take the database") from error
    except sqlite3.DatabaseError as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF not in _DISK_CODES:
            raise
        raise OSError(str(error)) from error


@contextlib.contextmanager
def any_file_name() -> Iterator[None]:
    """Keep GDAL from warning about the temporary name, which must not look like a finished GeoPackage."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*(filename|file) extension", category=RuntimeWarning)
        yield


def address_of(path: PurePath, how: str) -> str:
    """A whole path as SQLite takes it (sqlite.org, "Uniform Resource Identifiers"), with options such as 'mode=ro'.

    A folder of another machine is named behind four slashes: SQLite wants no machine behind two, where `as_uri` has it.
    """
    place = quote(path.as_posix(), safe="/:")
    return f"file://{'' if place.startswith('/') else '/'}{place}?{how}"


def selected(package: Path, what: str, layer: str) -> list[Any]:
    """A column of a layer of ours, or another term of SQL for each of its rows."""
    with contextlib.closing(sqlite3.connect(address_of(package.resolve(), "mode=ro"), uri=True)) as db:
        return [row[0] for row in db.execute(f'SELECT {what} FROM "{layer}"')]
