"""Parcels from any vector format: ids, parts, holes, CRS."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely.geometry import MultiPolygon, Polygon, box

from slopekit.sources.parcels import read_parcels

CRS = "EPSG:32617"
HOLED = Polygon(box(0, 0, 100, 100).exterior, [box(40, 40, 60, 60).exterior])
TWO = MultiPolygon([box(200, 0, 250, 50), box(300, 0, 350, 50)])


def moved(geometry):
    return shapely.transform(geometry, lambda xy: xy + [500_000, 4_000_000])


@pytest.fixture
def frame():
    shapes = [moved(HOLED), moved(TWO)]
    columns = {"name": ["north ", "south"], "lot": [12, 7], "plan": [1.0, 2.5]}
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)


@pytest.mark.parametrize("suffix", ["gpkg", "shp", "geojson", "fgb"])
def test_formats_parts_and_holes(frame, tmp_path, suffix):
    path = tmp_path / f"p.{suffix}"
    (frame.to_crs("EPSG:4326") if suffix == "geojson" else frame).to_file(path)
    parcels = read_parcels(path, "lot", CRS)
    by_id = {p.id: p.geometry for p in parcels}
    assert set(by_id) == {"12", "7"}
    assert by_id["12"].area == pytest.approx(100 * 100 - 20 * 20, rel=1e-6)
    assert by_id["7"].area == pytest.approx(2 * 50 * 50, rel=1e-6)
    # Some formats store a single part as a multipart of one.
    assert [len(p.interiors) for p in shapely.get_parts(by_id["12"])] == [1]
    assert len(shapely.get_parts(by_id["7"])) == 2


def test_ids_are_text_as_a_person_would_write_it(frame, tmp_path):
    frame.to_file(tmp_path / "p.gpkg")
    for column, expected in ((None, ["1", "2"]), ("name", ["north", "south"]), ("plan", ["1", "2.5"])):
        assert [p.id for p in read_parcels(tmp_path / "p.gpkg", column, CRS)] == expected


def test_reprojected_as_geopandas_does_it(frame, tmp_path):
    """Reference: geopandas."""
    frame.to_file(tmp_path / "p.gpkg")
    expected = frame.to_crs("EPSG:2264")
    got = read_parcels(tmp_path / "p.gpkg", None, expected.crs.to_wkt())
    for one, other in zip(got, expected.geometry, strict=True):
        parts = shapely.get_parts(one.geometry), shapely.get_parts(other)
        assert shapely.equals_exact(*parts, tolerance=1e-6).all() and len(parts[0]) == len(parts[1])


def test_heights_of_vertices_are_dropped(tmp_path):
    solid = shapely.force_3d(moved(HOLED), 12.0)
    gpd.GeoDataFrame(geometry=[solid], crs=CRS).to_file(tmp_path / "p.gpkg")
    (parcel,) = read_parcels(tmp_path / "p.gpkg", None, CRS)
    assert not parcel.geometry.has_z and parcel.geometry.equals(moved(HOLED))


def test_layer_named_the_way_qgis_writes_it(frame, tmp_path):
    path = tmp_path / "p.gpkg"
    frame.to_file(path, layer="lots")
    frame.iloc[:1].to_file(path, layer="others")
    assert len(read_parcels(f"{path}|layername=lots", None, CRS)) == 2
    assert len(read_parcels(f"{path}|layername=others|subset=", None, CRS)) == 1


def test_a_table_without_geometry_is_no_second_layer(frame, tmp_path):
    import pyogrio

    path = tmp_path / "p.gpkg"
    frame.to_file(path, layer="lots")
    pyogrio.raw.write(
        path, None, [np.array(["x"], dtype=object)], ["styleName"], layer="layer_styles", driver="GPKG", append=True,
        geometry_type=None,
    )  # fmt: skip
    assert len(read_parcels(path, None, CRS)) == 2
