"""The dataset folder, read by programs that did not write it."""

import json
import shutil
import subprocess
from pathlib import Path

import duckdb
import pyarrow.parquet as pq
import pyogrio
import pyproj
import pytest
import shapely
from district import WEST_CRS
from unbroken import Unbroken

from slopekit.schema.layers import GEOMETRIES


def ogr_has_parquet() -> bool:
    """GDAL has this driver only where it was built with Arrow's C++ library (GDAL's page on the driver)."""
    if shutil.which("ogrinfo") is None:
        return False
    return "Parquet" in subprocess.run(["ogrinfo", "--formats"], capture_output=True, text=True, check=True).stdout


def parts(unbroken: Unbroken) -> dict[str, list[Path]]:
    """Files by layer, of those layers that have a file."""
    found: dict[str, list[Path]] = {}
    for path in sorted((unbroken.out / "dataset").glob("*/*.parquet")):
        found.setdefault(path.parent.name, []).append(path)
    assert {"zones", "parcels", "water"} <= set(found)
    return found


def test_all_files_of_a_layer_have_the_same_columns(unbroken: Unbroken) -> None:
    for layer, paths in parts(unbroken).items():
        schemas = [pq.read_schema(path).remove_metadata() for path in paths]
        assert all(schema.equals(schemas[0]) for schema in schemas), layer


def test_every_file_tells_its_geometries_as_the_specification_asks(unbroken: Unbroken) -> None:
    """GeoParquet 1.0.0, "File metadata": `version`, `primary_column`, `columns`; of each column `encoding`,
    `geometry_types` and the CRS as PROJJSON. OGR and duckdb go by them."""
    for layer, paths in parts(unbroken).items():
        for path in paths:
            told = pq.read_schema(path).metadata.get(b"geo")
            if GEOMETRIES[layer] is None:
                assert told is None
                continue
            geo = json.loads(told)
            column = geo["columns"][geo["primary_column"]]
            assert geo["version"].startswith("1.") and column["encoding"] == "WKB"
            assert pyproj.CRS.from_json_dict(column["crs"]) == pyproj.CRS(WEST_CRS)
            # An empty list would mean that the types are not known.
            assert column["geometry_types"]


def test_duckdb_reads_it(unbroken: Unbroken) -> None:
    """duckdb has a reader of its own, so this is a second opinion on what Arrow wrote."""
    zones = pyogrio.read_dataframe(unbroken.out / "portfolio.gpkg", layer="zones").set_index("zone_id")
    files = str(unbroken.out / "dataset" / "zones" / "*.parquet")
    with duckdb.connect() as base:
        asked = "select zone_id, plan_m2, typeof(geometry), ST_AsWKB(geometry) from read_parquet(?)"
        rows = base.execute(asked, [files]).fetchall()
    assert sorted(row[0] for row in rows) == sorted(zones.index)
    for one, plan_m2, kind, content in rows:
        assert plan_m2 == zones.plan_m2[one]
        assert kind.startswith("GEOMETRY(") and "UTM zone 32N" in kind
        assert shapely.from_wkb(bytes(content)).equals(zones.geometry[one])


@pytest.mark.skipif(not ogr_has_parquet(), reason="this GDAL was built without Parquet, as Debian's is")
def test_ogr_opens_the_folder_as_one_layer(unbroken: Unbroken) -> None:
    zones = pyogrio.read_dataframe(unbroken.out / "portfolio.gpkg", layer="zones")
    command = ["ogrinfo", "-ro", "-al", "-so", str(unbroken.out / "dataset" / "zones")]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert f"Feature Count: {len(zones)}\n" in said and "UTM zone 32N" in said
