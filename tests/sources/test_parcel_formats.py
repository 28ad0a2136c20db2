"""Parcels in the formats that they come in. The outlines are known; geopandas or plain text writes the files."""

import zipfile
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

from slopekit.errors import InputError
from slopekit.sources.parcels import read_parcels

CRS = "EPSG:25832"
OUTLINES = [shapely.box(500000, 5600000, 500040, 5600030), shapely.box(500100, 5600000, 500160, 5600050)]
NAMES = ["north", "south"]

TABLE = gpd.GeoDataFrame({"plot": NAMES}, geometry=OUTLINES, crs=CRS)
DEGREES = TABLE.to_crs("EPSG:4326")


def write(kind: str) -> Callable[[Path], str]:
    def put(path: Path) -> str:
        file = path / f"lots.{kind}"
        table = DEGREES if kind in ("kml", "geojson") else TABLE
        table.to_file(file, driver="KML" if kind == "kml" else None)
        return str(file)

    return put


def kmz(path: Path) -> str:
    with zipfile.ZipFile(path / "lots.kmz", "w") as archive:
        archive.write(write("kml")(path), "doc.kml")
    return str(path / "lots.kmz")


def zipped(path: Path) -> str:
    write("shp")(path)
    with zipfile.ZipFile(path / "lots.zip", "w") as archive:
        for file in path.glob("lots.*"):
            if file.suffix != ".zip":
                archive.write(file, file.name)
    return str(path / "lots.zip")


def parquet(path: Path) -> str:
    TABLE.to_parquet(path / "lots.parquet")
    return str(path / "lots.parquet")


def csv(path: Path) -> str:
    lines = [f'{n};"{g.wkt}"' for n, g in zip(NAMES, OUTLINES, strict=True)]
    (path / "lots.csv").write_text("plot;outline\n" + "\n".join(lines) + "\n")
    return f"{path / 'lots.csv'}|crs={CRS}"


def dxf(path: Path) -> str:
    """Closed lightweight polylines (AutoCAD's DXF reference: group 70, bit 1), as a surveyor draws plots."""
    parts = ["0\nSECTION\n2\nENTITIES"]
    for outline in OUTLINES:
        corners = shapely.get_coordinates(outline)[:-1]
        parts.append(f"0\nLWPOLYLINE\n8\nPLOTS\n90\n{len(corners)}\n70\n1")
        parts += [f"10\n{x}\n20\n{y}" for x, y in corners]
    (path / "lots.dxf").write_text("\n".join([*parts, "0\nENDSEC\n0\nEOF\n"]))
    return f"{path / 'lots.dxf'}|crs={CRS}"


WRITERS = {
    **{kind: write(kind) for kind in ("kml", "geojson", "shp", "fgb", "gpkg")},
    "kmz": kmz, "zip": zipped, "parquet": parquet, "csv": csv, "dxf": dxf,
}  # fmt: skip


def packed(path: Path, *folders: str) -> str:
    """The shapefile once in each folder of an archive, as a Mac packs it: with a shadow of each file."""
    write("shp")(path)
    with zipfile.ZipFile(path / "packed.zip", "w") as archive:
        for folder in folders:
            for file in path.glob("lots.*"):
                archive.write(file, f"{folder}/{file.name}")
                archive.writestr(f"__MACOSX/{folder}/._{file.name}", b"\0\5\26\7")
    return str(path / "packed.zip")


def test_a_shapefile_in_a_folder_of_an_archive(tmp_path: Path) -> None:
    got = read_parcels(packed(tmp_path, "site/plots"), "plot", CRS)
    assert {one.id: one.geometry.area for one in got} == {"north": 1200.0, "south": 3000.0}
    with pytest.raises(
        InputError, match=r"the archive holds a/lots.shp, b/lots.shp, so name one as '(/vsizip/.*/a/lots.shp)'"
    ) as told:
        read_parcels(packed(tmp_path, "a", "b"), "plot", CRS)
    assert len(read_parcels(str(told.value).split("'")[1], "plot", CRS)) == 2


def test_folders_of_a_kmz_are_named(tmp_path: Path) -> None:
    """Each folder of a KML file is a layer (GDAL's manual, LIBKML)."""
    shapes = [" ".join(f"{x},{y},5" for x, y in shapely.get_coordinates(g)) for g in DEGREES.geometry]
    plots = [
        f"<Folder><name>{n}</name><Placemark><name>p</name><Polygon><outerBoundaryIs><LinearRing><coordinates>{c}"
        f"</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></Folder>"
        for n, c in zip(NAMES, shapes, strict=True)
    ]
    with zipfile.ZipFile(tmp_path / "two.kmz", "w") as archive:
        text = f"<kml xmlns='http://www.opengis.net/kml/2.2'><Document>{''.join(plots)}</Document></kml>"
        archive.writestr("doc.kml", text)
    with pytest.raises(InputError, match=r"has the layers north, south, so name one as '.*two.kmz\|layername=north'"):
        read_parcels(str(tmp_path / "two.kmz"), None, CRS)
    (one,) = read_parcels(f"{tmp_path / 'two.kmz'}|layername=south", None, CRS)
    assert shapely.hausdorff_distance(one.geometry, OUTLINES[1]) < 1e-3


@pytest.mark.parametrize("kind", sorted(WRITERS))
def test_outlines_come_as_they_are(tmp_path: Path, kind: str) -> None:
    got = read_parcels(WRITERS[kind](tmp_path), None if kind in ("kml", "kmz", "dxf") else "plot", CRS)
    assert len(got) == 2
    by_area = sorted((one.geometry for one in got), key=lambda g: g.area)
    for geometry, outline in zip(by_area, OUTLINES, strict=True):
        assert shapely.hausdorff_distance(geometry, outline) < 1e-3
    if kind not in ("kml", "kmz", "dxf"):
        assert {one.id for one in got} == set(NAMES)


def test_points_alone_get_a_sentence_that_says_outlines_are_needed(tmp_path: Path) -> None:
    lines = [f"{n},{p.x},{p.y}" for n, p in zip(NAMES, TABLE.centroid.to_crs("EPSG:4326"), strict=True)]
    (tmp_path / "p.csv").write_text("plot,Longitude,Latitude\n" + "\n".join(lines) + "\n")
    with pytest.raises(InputError, match=r"is a Point, so give polygons: a point tells where .* outline\."):
        read_parcels(str(tmp_path / "p.csv"), "plot", CRS)


def test_longitude_and_latitude_need_no_crs(tmp_path: Path) -> None:
    from slopekit.sources.vectors import read_features

    point = TABLE.centroid.to_crs("EPSG:4326").iloc[0]
    (tmp_path / "p.csv").write_text(f"plot,lon,lat\na,{point.x},{point.y}\n")
    features, crs = read_features(str(tmp_path / "p.csv"))
    moved = gpd.GeoSeries(features.geometries, crs=crs).to_crs(CRS)
    assert np.hypot(*(np.array(moved.iloc[0].coords[0]) - np.array(OUTLINES[0].centroid.coords[0]))) < 0.01


@pytest.mark.parametrize(
    ("name", "text", "sentence"),
    [
        ("a.csv", "plot,x,y\na,1,2\n", "the table has no column of outlines"),
        (
            "a.csv",
            'plot,wkt\na,"POLYGON ((0 0, 1 0, 1 1, 0 0))"\n',
            r"the layer has no CRS, so .* or name it as '.*a.csv\|crs=",
        ),
        (
            "a.dxf",
            "0\nSECTION\n2\nENTITIES\n0\nLWPOLYLINE\n8\n0\n90\n3\n70\n1\n10\n0\n20\n0\n10\n9\n20\n0\n10\n9\n"
            "20\n9\n0\nENDSEC\n0\nEOF\n",
            r"the layer has no CRS, so .* or name it as '.*a.dxf\|crs=",
        ),
        ("a.parquet", "nothing", "cannot be read as GeoParquet"),
        ("a.csv|crs=EPSG:0", "plot,wkt\na,POINT (1 2)\n", "the CRS 'EPSG:0' is not known, so name one such as"),
    ],
)
def test_what_is_wrong_is_one_sentence(tmp_path: Path, name: str, text: str, sentence: str) -> None:
    (tmp_path / name.partition("|")[0]).write_text(text)
    with pytest.raises(InputError, match=sentence):
        read_parcels(str(tmp_path / name), None, CRS)
