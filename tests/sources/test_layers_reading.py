"""Layers of the user's: widths, kinds, search by place."""

import pickle

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, box

from slopekit.errors import InputError
from slopekit.sources.layers import Layer, Layers, read_layer

CRS = "EPSG:32617"
POND = box(500_000, 4_000_000, 500_050, 4_000_040)
BROOK = LineString([(500_100, 4_000_000), (500_200, 4_000_000)])


def save(path, shapes, crs=CRS, **columns):
    gpd.GeoDataFrame(columns, geometry=shapes, crs=crs).to_file(path)
    return path


def test_a_line_with_a_width_becomes_a_polygon(tmp_path):
    path = save(tmp_path / "w.gpkg", [POND, BROOK], width=[np.nan, 4.0])
    layer = read_layer(path, CRS, metres_per_unit=1.0)
    assert layer.name == "w.gpkg" and layer.kinds is None
    assert layer.geometries[0].equals(POND)
    # A strip with round ends: length times width and a disc.
    assert layer.geometries[1].area == pytest.approx(100 * 4 + np.pi * 2**2, rel=1e-3)


def test_width_is_in_metres_on_a_foot_grid(tmp_path):
    path = save(
        tmp_path / "w.gpkg", [LineString([(1_000_000, 200_000), (1_000_300, 200_000)])], "EPSG:2263", width=["6"]
    )
    layer = read_layer(path, "EPSG:2263", metres_per_unit=1200 / 3937)
    _, south, _, north = layer.geometries[0].bounds
    assert (north - south) * 1200 / 3937 == pytest.approx(6.0)


def test_lines_stay_lines_where_any_geometry_will_do(tmp_path):
    path = save(tmp_path / "h.gpkg", [POND, BROOK, BROOK], width=[None, "", "4"], kind=["pool", None, "road"])
    layer = read_layer(path, CRS, metres_per_unit=1.0, geometry="any", column="kind")
    assert [g.geom_type for g in layer.geometries] == ["Polygon", "LineString", "Polygon"]
    assert layer.kinds == ("pool", "hazard", "road")


def test_missing_kind_column_reads_hazard(tmp_path):
    path = save(tmp_path / "h.gpkg", [BROOK])
    assert read_layer(path, CRS, metres_per_unit=1.0, geometry="line", column="kind").kinds == ("hazard",)


def test_within_gives_what_a_full_scan_gives():
    rng = np.random.default_rng(5)
    corners = rng.uniform(0, 1000, (500, 2))
    layer = Layer.of("x", [box(x, y, x + 9, y + 5) for x, y in corners], [str(n) for n in range(500)])
    window = (300.0, 200.0, 450.0, 600.0)
    expected = [str(n) for n, (x, y) in enumerate(corners) if x <= 450 and x + 9 >= 300 and y <= 600 and y + 5 >= 200]
    assert len(expected) > 20
    assert [kind for _, kind in layer.within(window)] == expected
    assert layer.within((2000.0, 2000.0, 2001.0, 2001.0)) == []


def test_pickle_and_defaults():
    layer = pickle.loads(pickle.dumps(Layer.of("x", [POND, BROOK])))
    assert [kind for _, kind in layer.within(POND.bounds)] == [None]
    assert Layers().water is None and Layers(water=layer).water is layer


def test_reprojected(tmp_path):
    path = tmp_path / "w.geojson"
    gpd.GeoDataFrame(geometry=[POND], crs=CRS).to_crs("EPSG:4326").to_file(path)
    layer = read_layer(path, CRS, metres_per_unit=1.0)
    assert shapely.equals_exact(layer.geometries[0].normalize(), POND.normalize(), tolerance=0.01)


def test_entrances_are_points_or_lines_with_widths_of_gates(tmp_path):
    gates = [shapely.Point(500_000, 4_000_000), BROOK, shapely.MultiPoint([(500_000, 4_000_000), (500_009, 4_000_000)])]
    layer = read_layer(save(tmp_path / "e.gpkg", gates, width=["2.5", None, "4"]), CRS, metres_per_unit=1.0,
                       geometry="entrance")  # fmt: skip
    assert [g.geom_type for g in layer.geometries] == ["Point", "LineString", "MultiPoint"]
    np.testing.assert_array_equal(layer.widths, [2.5, np.nan, 4.0])
    # Metres as they stand, on a foot grid too; without the column no gate is narrow.
    plain = save(tmp_path / "f.gpkg", [shapely.Point(1_000_000, 200_000)], "EPSG:2263")
    assert np.isnan(read_layer(plain, "EPSG:2263", metres_per_unit=1200 / 3937, geometry="entrance").widths).all()


@pytest.mark.parametrize("width", ["wide", "0", "-2", "inf"])
def test_a_width_of_a_gate_that_is_no_length(tmp_path, width):
    path = save(tmp_path / "e.gpkg", [shapely.Point(500_000, 4_000_000)], width=[width])
    with pytest.raises(
        InputError, match=rf"e\.gpkg: feature 1 says '{width}' in the column 'width', so give a width in m"
    ):
        read_layer(path, CRS, metres_per_unit=1.0, geometry="entrance")


def test_an_area_is_no_entrance(tmp_path):
    with pytest.raises(InputError, match=r"feature 1 is a Polygon, so give points, or lines along a frontage\.$"):
        read_layer(save(tmp_path / "e.gpkg", [POND]), CRS, metres_per_unit=1.0, geometry="entrance")
