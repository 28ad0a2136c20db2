"""Each form once with all that it asks for, in the real QGIS; and a batch of three in which the second row is wrong."""

from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
from qgis_samples import SPOT, Done, Place, Qgis

pytestmark = pytest.mark.qgis
# Where slopekit lives has tests of its own; points, and what takes them, run in test_qgis_points.py.
ELSEWHERE = {"SLOPEKIT", "POINTS"}
POINTS = Path(__file__).resolve().parents[1] / "data" / "points" / "houses_77050_627760.laz"


def cases_of(place: Place, zones: str, folder: Path) -> list[tuple[str, dict[str, Any]]]:
    """Names and values; a form of which not all can be given at once comes twice."""

    def out(name: str) -> str:
        return str(folder / name)

    drawn = gpd.read_file(place.file("soft.gpkg"))[["geometry"]].assign(what="no-go").to_crs("EPSG:25832")
    drawn.to_file(folder / "drawn.gpkg")
    Path(out("classes.toml")).write_text("ground = [2]\n", encoding="utf-8")
    elevation, index = place.file("office_park.tif"), str(place.tile_index())
    fleet, parcels, season = place.file("fleet.toml"), place.file("parcels.gpkg"), place.file("season.toml")
    reading = {"Z_UNIT": "metre", "Z_RMSE": 0.05, "CELL": 1.0, "SURFACE": "ground", "NO_REMOTE": False}
    surveyed = {"SURVEY_DATE": "2025-03-01", "PRESCREEN": True}
    tiles = {"INDEX": index, "CACHE": out("cache"), "MOST": "10MB", "TRUST_INDEX_ERROR": True}
    ground = {**place.ground(), "DRY": place.file("soft.gpkg"), "FLEET": fleet}
    ground |= {"COARSE": place.file("soft.gpkg"), "CORRECTIONS": out("drawn.gpkg")}
    lots = {"PARCELS": parcels, "ID_COLUMN": "parcel_id"}
    asked = {"LANDFORMS": True, "REALISATIONS": 2, "UNITS": "us", "WORKERS": 1, "OVERWRITE": True, "LOAD": True}
    screen = {**lots, **ground, **surveyed, **reading, **asked}
    written = {"OUTPUT": out("s.gpkg"), "MAP": out("s.png"), "PROFILES": out("p.png"), "REPORT": out("s.json")}
    of_zones = {"ZONES": zones, "OVERWRITE": True, "NO_REMOTE": True}
    forms = {"AREA": parcels, "ID_COLUMN": "parcel_id", "WATER": place.file("water.gpkg"), "FLEET": fleet}
    forms |= {"CORRECTIONS": out("drawn.gpkg"), **surveyed, **reading, "WORKERS": 1, "OVERWRITE": True, "LOAD": True}
    spot = {"SPOT": f"{SPOT[0]},{SPOT[1]} [EPSG:25832]", "UNITS": "us", "JSON": True, "OVERWRITE": True, "LOAD": True}
    spot |= {"OUTPUT": out("why.json"), "LAYERS": out("why.gpkg")}
    several = {name: value for name, value in screen.items() if name != "LANDFORMS"}
    return [
        ("fields", {"LAYER": "zones", "INPUTS": True, "JSON": True, "OUTPUT": out("fields.json")}),
        ("tiles_sources", {"OUTPUT": out("sources.txt")}),
        ("fleet_new", {"OUTPUT": out("new.toml")}),
        ("fleet_check", {"FLEET": fleet, "OUTPUT": out("fleet.txt")}),
        ("season_new", {"FLEET": fleet, "OUTPUT": out("season.toml")}),
        ("corrections_new", {"ELEVATION": [elevation], "Z_UNIT": "metre", "SURFACE": "ground", "NO_REMOTE": True,
                             "OUTPUT": out("new.gpkg")}),
        ("corrections_new", {"TILES": str(Path(elevation).parent), "OUTPUT": out("newer.gpkg")}),
        ("corrections_check", {"FILE": out("drawn.gpkg"), "NO_REMOTE": True, "OUTPUT": out("corrections.txt")}),
        ("inspect", {"ELEVATION": [elevation], "TILES": None, **reading, "JSON": True, "OUTPUT": out("inspect.json")}),
        ("inspect", {"FILES": [str(POINTS)], "CRS": "EPSG:2154", "CLASSES": out("classes.toml"), **reading,
                     "OUTPUT": out("points.txt")}),
        ("screen", {"ELEVATION": [elevation], "TILES": None, **screen, **written, "RASTERS": out("tifs")}),
        ("screen", {**screen, **tiles, "OUTPUT": out("by index.gpkg")}),
        ("landforms", {"ELEVATION": [elevation], "TILES": None, **forms, "OUTPUT": out("f.gpkg"),
                       "SHEET": out("f.xlsx")}),
        ("landforms", {**forms, **tiles, "OUTPUT": out("f too.gpkg")}),
        ("why", {**spot, "ZONES": zones}),
        ("why", {**spot, "ELEVATION": [elevation], "TILES": None, **ground, "PARCELS": parcels, **surveyed, **reading}),
        ("portfolio", {"ELEVATION": [elevation], "TILES": None, **several, "LANDFORMS": True, "SEASON": season,
                       "SHEETS": True, "PAGE": True, "PAPER": "letter", "RESUME": False, "ONLY_FAILED": False,
                       "TIME_LIMIT": 300.0, "MEMORY_LIMIT": 2000.0, "RANK": "ride_on_m2", "FOLDER": out("many")}),
        ("portfolio", {**several, **tiles, "FOLDER": out("many too")}),
        ("hours", {**of_zones, "FLEET": fleet, "SEASON": season, "GOAL": "cost", "UNITS": "us", "LOAD": True,
                   "OUTPUT": out("bid.xlsx"), "PASSES": out("passes.gpkg")}),
        ("hours", {**of_zones, "FLEET": fleet, "OUTPUT": out("bid.json")}),
        ("compare", {**of_zones, "FLEET": fleet, "OTHER_FLEET": fleet, "SEASON": season, "GOAL": "machines",
                     "OUTPUT": out("compared.xlsx")}),
        ("sheets", {**of_zones, "FLEET": fleet, "SEASON": season, "PAPER": "letter", "UNITS": "us", "SHOW": True,
                    "OUTPUT": out("sheets.pdf"), "PER_PARCEL": out("sheets")}),
        ("page", {"ZONES": zones, "HOURS": out("bid.json"), "TITLE": "My lawns", "UNITS": "us", "OVERWRITE": True,
                  "SHOW": True, "OUTPUT": out("page.html")}),
        ("phone", {**of_zones, "OUTPUT": out("site.kmz")}),
        ("export", {**of_zones, "FOLDER": out("shapes")}),
        ("crew_map", {"ZONES": zones, "PAGE": "letter", "TEMPLATE": None, "BEHIND": [elevation],
                      "OUTPUT": out("map.pdf")}),
        ("tiles_find", {"INDEX": index, **lots, "FLEET": fleet, "COLUMNS": "address=location", "ONLY": "survey=demo",
                        "LAYER": None, "ASSET": None, "ALLOW_PRIVATE": True,
                        "NO_REMOTE": True, "OVERWRITE": True, "LOAD": True, "OUTPUT": out("tiles.gpkg")}),
        ("tiles_fetch", {"TABLE": f"{out('tiles.gpkg')}|layername=tiles", "MOST": "10MB", "TRUST_INDEX_ERROR": True,
                         "WHOLE": True, "ASK": True, "NO_REMOTE": True, "CACHE": out("fetched")}),
        ("demo", {"WORKERS": 1, "OVERWRITE": True, "LOAD": True, "FOLDER": out("demo")}),
    ]  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("of_zones", [False, True])
def test_each_form_runs_with_all_that_it_asks_for(
    qgis: Qgis, place: Place, screened: tuple[Path, Done], tmp_path: Path, of_zones: bool
) -> None:
    cases = cases_of(place, str(screened[0]), tmp_path)
    first = [name for name, _ in cases].index("hours")
    cases = cases[first:] if of_zones else cases[:first]
    told = qgis.ask("all_given", cases=cases)
    failed = [(name, said) for (name, _), (said, _) in zip(cases, told, strict=True) if said != "it did not fail"]
    assert not failed, failed
    for name in {name for name, _ in cases}:
        has = {one for (case, _), (_, names) in zip(cases, told, strict=True) if case == name for one in names}
        given = {one for case, values in cases if case == name for one in values}
        assert has - ELSEWHERE == given - ELSEWHERE, name
    asked = {Path(value) for _, values in cases for key, value in values.items() if str(value).startswith(str(tmp_path))
             and key != "TABLE"}  # fmt: skip
    assert [path.name for path in sorted(asked) if not path.exists()] == []


def test_a_batch_goes_on_after_a_bad_row(qgis: Qgis, place: Place, tmp_path: Path) -> None:
    pages = [tmp_path / f"{number}.txt" for number in range(3)]
    grounds = [place.file("office_park.tif"), "/no/such 三.tif", place.file("office_park.tif")]
    rows = [{"ELEVATION": [ground], "OUTPUT": str(page)} for ground, page in zip(grounds, pages, strict=True)]
    found = qgis.ask("batch", name="inspect", rows=rows, stop_at=None)
    assert [page.exists() for page in pages] == [True, False, True]
    # The cell of a batch drops what is not there.
    assert found["log"].count("No elevation is given: choose layers or files") == 1
    assert pages[0].read_text(encoding="utf-8") == pages[2].read_text(encoding="utf-8")
