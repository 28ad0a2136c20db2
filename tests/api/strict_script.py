"""What an analyst may write with every public name. Nobody runs it: types are checked."""

from collections.abc import Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np

import slopekit as sk


def screened(folder: Path, lots: gpd.GeoDataFrame) -> sk.Result:
    heights = sk.Raster(np.zeros((300, 300)), (1.0, 0.0, 5e5, 0.0, -1.0, 5.6e6), "EPSG:25832", unit="metre")
    fleet: sk.Fleet = sk.load_fleet(folder / "fleet.toml")
    return sk.screen(heights, lots, fleet, water=folder / "water.gpkg", z_rmse_m=0.05, survey_date="2024-05-31")


def asked(result: sk.Result, folder: Path) -> list[str]:
    season: sk.Season = sk.load_season({"schema": 1, "visits": {"dry": 3}}, result.fleet)
    bid: sk.Hours = result.hours(season=season, goal="cost", passes=True)
    files: Sequence[Path] = [*result.write(folder / "zones.gpkg"), *bid.write(folder / "bid.xlsx")]
    spot: sk.Explanation = result.why(500010.5, 5599980.0)
    steepest = float(result.rasters("north").slope.max())
    files = [*files, *result.sheets(folder / "sheets.pdf", season=season, paper="letter", units="us")]
    pages: list[Path] = [*result.page(folder / "a.html", hours=bid, units="us"), *sk.page(folder, folder / "b.html")]
    picture: Path = result.map(folder / "map.png", overwrite=True)
    return [str(spot), *map(str, files), *map(str, pages), f"{steepest:.1f}", str(picture), *result.cautions]


def more(folder: Path) -> int:
    data = sk.demo_data()
    tiles: sk.FoundTiles = sk.find_tiles("index.gpkg", "parcels.gpkg", columns={"address": "url"})
    got: sk.FetchedTiles = sk.fetch_tiles(tiles, folder, most_bytes=10**9)
    sk.screen(got.elevation, "parcels.gpkg", "fleet.toml")
    found: sk.Landforms = sk.landforms(data / "office_park.tif", water=data / "water.gpkg", z_unit="metre")
    folder = sk.points(["tile.laz"], folder, data / "parcels.gpkg", crs="EPSG:25832", gap_m=3.0)
    bid: sk.Hours = sk.hours("zones.gpkg", "fleet.toml")
    pages: list[Path] = sk.sheets("zones.gpkg", "sheets.pdf", fleet="fleet.toml", per_parcel=folder)
    changes: sk.Comparison = sk.compare("zones.gpkg", ["fleet.toml", {"schema": 1}], season="season.toml")
    taken: Path = sk.phone("zones.gpkg", folder / "site.kmz")
    files: list[Path] = sk.export("zones.gpkg", folder)
    at: sk.Explanation = sk.why("zones.gpkg", 1.0, 2.0)
    spot = sk.why([data / "office_park.tif"], 1.0, 2.0, "fleet.toml", crs="EPSG:4326", entrances=None)
    try:
        outcome: sk.Outcome = sk.portfolio("tiles", "parcels.gpkg", "fleet.toml", folder, resume=True)
    except sk.OutputError:
        return 1
    except sk.InputError:
        return 2
    lines = len(found.summary()) + len(spot.lines() + at.lines()) + len(pages + files)
    return outcome.answered + len(bid.summary) + len(changes.table) + lines + len(taken.name)
