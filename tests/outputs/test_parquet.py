"""GeoParquet: one file a layer, the zones at the path itself."""

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from listing import names
from output_samples import CONDITIONS

from slopekit.outputs.package import write_result
from slopekit.schema.fields import fields_of
from slopekit.schema.layers import GEOMETRIES

ARROW = {"str": pa.types.is_string, "int": pa.types.is_int64, "float": pa.types.is_float64, "bool": pa.types.is_boolean}


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


@pytest.mark.parametrize("empty", [False, True])
def test_schema_follows_the_registry(tmp_path: Path, result: dict[str, Any], empty: bool) -> None:
    given = {layer: table.iloc[:0] for layer, table in result.items()} if empty else result
    write_result(tmp_path / "out.parquet", given, CONDITIONS)
    first = "zones" if "zones" in result else "basins"
    places = {layer: "out.parquet" if layer == first else f"out.{layer}.parquet" for layer in result}
    assert names(tmp_path) == sorted(places.values())
    for layer, name in places.items():
        schema = pq.read_schema(tmp_path / name)
        fields = fields_of(layer, CONDITIONS)
        assert schema.names == [f.name for f in fields] + (["geometry"] if GEOMETRIES[layer] else [])
        for field in fields:
            check = _is_text if field.type == "str" else ARROW[field.type]
            assert check(schema.field(field.name).type), field
        if GEOMETRIES[layer]:
            # GeoParquet 1.0/1.1 specification, "File metadata": key "geo" with the primary column and WKB encoding.
            geo = json.loads(schema.metadata[b"geo"])
            assert geo["primary_column"] == "geometry"
            assert geo["columns"]["geometry"]["encoding"] == "WKB"
            assert geo["columns"]["geometry"]["crs"]["id"] == {"authority": "EPSG", "code": 25832}


def test_values_come_back(tmp_path: Path, tables: dict[str, Any]) -> None:
    write_result(tmp_path / "out.parquet", tables, CONDITIONS)
    zones = gpd.read_parquet(tmp_path / "out.parquet")
    assert zones.geometry.area.sum() == pytest.approx(tables["zones"]["plan_m2"].sum())
    assert list(zones["zone_id"]) == list(tables["zones"]["zone_id"])
    notes = pd.read_parquet(tmp_path / "out.run_notes.parquet")
    assert list(notes["name"]) == ["elevation", "soft ground"]
    assert pd.isna(notes["value"][1])
    assert zones["realisations_share"].tolist()[:2] == [0.0, 0.96] and zones["realisations_share"][2:].isna().all()
    for layer in ("water", "drops"):
        assert list(gpd.read_parquet(tmp_path / f"out.{layer}.parquet")["body"]) == list(tables[layer]["body"])
    points = pd.read_parquet(tmp_path / "out.profiles.parquet")
    for name in ("point", "distance_m", "height_m", "line_m", "speed_kmh", "mark"):
        assert points[name].tolist() == tables["profiles"][name].tolist(), name
    said = gpd.read_parquet(tmp_path / "out.corrections.parquet")
    assert said["number"].tolist() == [1, 2, 3] and said["what"].tolist() == ["soft ground", "reject", "confirm"]
    assert said.geometry.area.tolist() == pytest.approx(tables["corrections"].geometry.area.tolist())


def test_landforms_come_back(tmp_path: Path, tables: dict[str, Any], landforms: dict[str, Any]) -> None:
    write_result(tmp_path / "out.parquet", landforms | {"run_notes": tables["run_notes"]}, ())
    basins = gpd.read_parquet(tmp_path / "out.parquet")
    assert basins["basin"].tolist() == landforms["basins"]["basin"].tolist()
    assert basins["side_hv"][0] == 3.0 and basins["side_hv"].isna().tolist() == [False, True]
    assert basins["beside_void"].tolist() == [False, True]
    assert basins.geometry.area.tolist() == pytest.approx(basins["area_m2"].tolist())
    stages = pd.read_parquet(tmp_path / "out.stage_storage.parquet")
    assert stages["volume_m3"].tolist() == [0.0, 156.25, 625.0]
    assert set(gpd.read_parquet(tmp_path / "out.berms.parquet").geom_type) == {"MultiLineString"}
