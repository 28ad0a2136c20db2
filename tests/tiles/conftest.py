"""Tiles of a made district on a server, with an index of each kind, and parcels on them."""

import json
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import pyproj
import pytest
import rasterio
import shapely
from district import FLEET, WEST_CRS, corners, write_tile
from tile_server import serving_tiles
from tile_site import DAYS, SIDE, Site

from slopekit.sources import web


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    folder = tmp_path_factory.mktemp("site")
    served = folder / "served"
    served.mkdir()
    (x, y), _ = corners()
    boxes: dict[str, shapely.Polygon] = {}
    for row in range(2):
        for col in range(2):
            west, north = x + col * SIDE, y - row * SIDE
            name = f"t{row}{col}"
            write_tile(served / f"{name}.tif", WEST_CRS, west, north, SIDE, day="2021-03-04")
            boxes[name] = shapely.box(west, north - SIDE, west + SIDE, north)
    write_tile(served / "old.tif", WEST_CRS, x, y, SIDE, day="2012-01-01", add=0.3)
    boxes["old"] = boxes["t00"]
    write_tile(served / "coarse.tif", WEST_CRS, x, y, SIDE + 100, cell=2.0, day="2023-01-01")
    boxes["coarse"] = shapely.box(x, y - 2 * SIDE - 200, x + 2 * SIDE + 200, y)
    places = {"a": (150, 150), "b": (560, 300), "c": (900, 900), "d": (1250, 600)}
    lots = [shapely.box(x + u, y - v - 40, x + u + 40, y - v) for u, v in places.values()]
    gpd.GeoDataFrame({"pid": [*places]}, geometry=lots, crs=WEST_CRS).to_file(folder / "parcels.gpkg")
    (folder / "fleet.toml").write_text(FLEET.format(run=30))
    with serving_tiles(served) as server:
        write_stac(served, server.address, boxes)
        yield Site(served, server, folder / "parcels.gpkg", folder / "fleet.toml", boxes)


@pytest.fixture
def site(made: Site, monkeypatch: pytest.MonkeyPatch) -> Site:
    made.server.rules()
    monkeypatch.setattr(web, "PAUSES_S", (0.01, 0.02, 0.03))
    monkeypatch.setattr(web, "SILENT_S", 0.5)
    return made


def write_stac(folder: Path, address: str, boxes: dict[str, shapely.Polygon]) -> None:
    """An item collection, and a static catalogue of two collections that leads to the same items (STAC 1.0)."""
    change = pyproj.Transformer.from_crs(WEST_CRS, "OGC:CRS84", always_xy=True)
    items = []
    for name, box in boxes.items():
        shape = shapely.transform(shapely.segmentize(box, 100.0), change.transform, interleaved=False)
        with rasterio.open(folder / f"{name}.tif") as tile:
            cell = tile.res[0]
        items.append({
            "type": "Feature", "stac_version": "1.0.0", "stac_extensions": [], "id": name,
            "collection": "fine" if cell == 1.0 else "coarse", "bbox": list(shape.bounds),
            "geometry": json.loads(shapely.to_geojson(shape)),
            "properties": {"datetime": f"{DAYS[name[0]]}T00:00:00Z"},
            "links": [],
            "assets": {
                "heights": {"href": f"{address}/{name}.tif", "type": "image/tiff; application=geotiff",
                            "roles": ["data"], "gsd": cell},
                "picture": {"href": f"{address}/{name}.png", "type": "image/png", "roles": ["thumbnail"]},
            },
        })  # fmt: skip
    (folder / "items.json").write_text(json.dumps({"type": "FeatureCollection", "features": items}))
    whole = [[min(i["bbox"][0] for i in items), min(i["bbox"][1] for i in items),
              max(i["bbox"][2] for i in items), max(i["bbox"][3] for i in items)]]  # fmt: skip
    root = {"type": "Catalog", "stac_version": "1.0.0", "id": "root", "description": "made", "links": []}
    for collection in ("fine", "coarse", "elsewhere"):
        mine = [i for i in items if i["collection"] == collection]
        (folder / collection).mkdir()
        for item in mine:
            beside = json.loads(json.dumps(item))
            beside["assets"]["heights"]["href"] = f"../{item['id']}.tif"
            (folder / collection / f"{item['id']}.json").write_text(json.dumps(beside))
        text = {
            "type": "Collection", "stac_version": "1.0.0", "id": collection, "description": "made",
            "license": "CC0-1.0", "providers": [{"name": "Nobody", "roles": ["licensor"]}],
            "extent": {"spatial": {"bbox": whole if mine else [[100.0, 10.0, 101.0, 11.0]]},
                       "temporal": {"interval": [[None, None]]}},
            "links": [{"rel": "item", "href": f"./{i['id']}.json"} for i in mine]
            or [{"rel": "item", "href": "./nothing.json"}],
        }  # fmt: skip
        (folder / collection / "collection.json").write_text(json.dumps(text))
        root["links"].append({"rel": "child", "href": f"./{collection}/collection.json"})
    (folder / "catalog.json").write_text(json.dumps(root))
