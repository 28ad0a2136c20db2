"""Parcels and layers that cannot be used: each fault gives one sentence with the file, the value and the fix."""

import geopandas as gpd
import pytest
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from slopekit.errors import InputError
from slopekit.sources.layers import read_layer
from slopekit.sources.parcels import read_parcels

pytestmark = pytest.mark.fault

CRS = "EPSG:32617"
GOOD = box(500_000, 4_000_000, 500_100, 4_000_100)
NEXT = box(500_200, 4_000_000, 500_300, 4_000_100)
BOW = Polygon([(500_000, 4_000_000), (500_100, 4_000_100), (500_100, 4_000_000), (500_000, 4_000_100)])


def save(path, shapes, crs=CRS, layer=None, **columns):
    frame = gpd.GeoDataFrame(columns, geometry=shapes, crs=crs)
    frame.to_file(path, **({"layer": layer} if layer else {}))
    return path


def message(path, column=None, crs=CRS):
    with pytest.raises(InputError) as caught:
        read_parcels(path, column, crs)
    text = str(caught.value)
    assert text.endswith(".") and ". " not in text, "one sentence"
    return text


def test_missing_file(tmp_path):
    assert "no.gpkg: there is no such file, so check" in message(tmp_path / "no.gpkg")


def test_not_a_vector_file(tmp_path):
    (tmp_path / "p.gpkg").write_text("not a map")
    assert "p.gpkg: this cannot be read as a vector file" in message(tmp_path / "p.gpkg")


def test_table_without_geometry(tmp_path):
    (tmp_path / "p.csv").write_text("id,name\n1,north\n")
    assert "p.csv: the table has no column of outlines" in message(tmp_path / "p.csv")


def test_missing_layer(tmp_path):
    path = save(tmp_path / "p.gpkg", [GOOD], layer="lots")
    assert "there is no layer 'plots', so name one of: lots." in message(f"{path}|layername=plots")


def test_several_layers(tmp_path):
    path = save(tmp_path / "p.gpkg", [GOOD], layer="lots")
    save(path, [GOOD], layer="lawns")
    assert f"has the layers lots, lawns, so name one as '{path}|layername=lots'" in message(path)


def test_empty_layer(tmp_path):
    frame = gpd.GeoDataFrame({"id": []}, geometry=[], crs=CRS)
    frame.to_file(tmp_path / "p.gpkg", geometry_type="Polygon")
    assert "p.gpkg: the layer has no features, so name" in message(tmp_path / "p.gpkg")


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
def test_no_crs(tmp_path):
    path = save(tmp_path / "p.shp", [GOOD], crs=None)
    assert "p.shp: the layer has no CRS, so assign the right one" in message(path)


def test_missing_id_column(tmp_path):
    path = save(tmp_path / "p.gpkg", [GOOD], lot=["a"], owner=["b"])
    assert "there is no column 'id' for the ids, so name one of: lot, owner." in message(path, "id")


@pytest.mark.parametrize("ids", [["a", "b", "a"], [1, 2, 1], [1.0, 2.0, 1.0], ["a", "b", " a "]])
def test_duplicate_ids(tmp_path, ids):
    path = save(tmp_path / "p.gpkg", [GOOD, NEXT, NEXT], lot=ids)
    assert f"the id '{str(ids[0])[0]}' is on features 1 and 3, so make the ids unique" in message(path, "lot")


@pytest.mark.parametrize("ids", [["a", None], ["a", ""], ["a", "  "], [1.0, float("nan")]])
def test_empty_id(tmp_path, ids):
    path = save(tmp_path / "p.gpkg", [GOOD, NEXT], lot=ids)
    assert "feature 2 has no id in column 'lot', so fill it in" in message(path, "lot")


def test_self_crossing(tmp_path):
    path = save(tmp_path / "p.gpkg", [GOOD, BOW], lot=["a", "b7"])
    text = message(path, "lot")
    assert "parcel 'b7' is not a valid shape (Self-intersection at [500050 4000050])" in text
    assert "in QGIS: Fix geometries" in text


def test_overlapping_parts(tmp_path):
    double = MultiPolygon([GOOD, box(500_050, 4_000_050, 500_150, 4_000_150)])
    assert "parcel '1' is not a valid shape" in message(save(tmp_path / "p.gpkg", [double]))


def test_no_area(tmp_path):
    flat = Polygon([(500_000, 4_000_000), (500_100, 4_000_100), (500_000, 4_000_000), (500_000, 4_000_000)])
    text = message(save(tmp_path / "p.gpkg", [flat]))
    assert "parcel '1'" in text and ("no area" in text or "not a valid shape" in text)


@pytest.mark.parametrize("nothing", [None, Polygon()])
def test_no_geometry(tmp_path, nothing):
    path = save(tmp_path / "p.gpkg", [GOOD, nothing], lot=["a", "b"])
    assert "feature 2 has no geometry, so draw or delete it" in message(path, "lot")


@pytest.mark.parametrize("shape", [Point(500_000, 4_000_000), LineString([(500_000, 4_000_000), (500_100, 4_000_100)])])
def test_not_a_polygon(tmp_path, shape):
    path = save(tmp_path / "p.gpkg", [shape])
    assert f"parcel '1' is a {shape.geom_type}, so give polygons" in message(path)


def test_out_of_reach_of_the_working_crs(tmp_path):
    path = save(tmp_path / "p.gpkg", [box(1e9, 1e9, 1e9 + 1, 1e9 + 1)])
    assert "parcel '1' lies where the elevation's CRS does not reach" in message(path, crs="EPSG:32618")


def layer_message(path, **options):
    with pytest.raises(InputError) as caught:
        read_layer(path, CRS, metres_per_unit=1.0, **options)
    return str(caught.value)


LINE = LineString([(500_000, 4_000_000), (500_100, 4_000_000)])


def test_line_without_a_width_where_polygons_are_wanted(tmp_path):
    path = save(tmp_path / "w.gpkg", [LINE])
    assert "feature 1 is a line whose column 'width' says '', so give its width in metres" in layer_message(path)


@pytest.mark.parametrize("width", ["0", "-2", "wide", "nan", "inf"])
@pytest.mark.parametrize("geometry", ["polygon", "any"])
def test_width_that_is_not_a_length(tmp_path, width, geometry):
    path = save(tmp_path / "w.gpkg", [LINE], width=[width])
    text = layer_message(path, geometry=geometry)
    assert f"feature 1 is a line whose column 'width' says '{width}'" in text


def test_wrong_kinds_of_geometry(tmp_path):
    points = save(tmp_path / "p.gpkg", [Point(500_000, 4_000_000)])
    for geometry, wanted in (("polygon", "polygons, or lines"), ("line", "give lines"), ("any", "polygons or lines")):
        text = layer_message(points, geometry=geometry)
        assert "feature 1 is a Point" in text and wanted in text
    walls = save(tmp_path / "w.gpkg", [GOOD])
    assert "feature 1 is a Polygon, so give lines" in layer_message(walls, geometry="line")


def test_self_crossing_water(tmp_path):
    path = save(tmp_path / "w.gpkg", [GOOD, BOW])
    assert "feature 2 is not a valid shape (Self-intersection at [500050 4000050])" in layer_message(path)
