"""The whole district: 2000 parcels over 64 tiles in two CRSs, with overlaps, a gap and a corrupt tile."""

import math
from pathlib import Path

import geopandas as gpd
import pyogrio
import rasterio
import shapely
from district import make_district
from portfolio_runner import contents, run

from slopekit.fleet.load import load_fleet
from slopekit.screening.ground import reach_m

PARCELS = 2000


def test_two_thousand_parcels_and_a_second_look(tmp_path: Path) -> None:
    made = make_district(tmp_path, parcels=PARCELS, across=8, side=128, lot=14.0, run=30.0)
    answer = run(made.line("out", "--workers", "2", "--quiet"))
    assert answer.code == 3, answer.err
    first = contents(tmp_path / "out")
    package = tmp_path / "out" / "portfolio.gpkg"
    parcels, failures = (pyogrio.read_dataframe(package, layer=name) for name in ("parcels", "failures"))
    ids = [*parcels.parcel_id, *failures.parcel_id]
    assert sorted(ids) == sorted(gpd.read_file(made.parcels).pid) and len(ids) == PARCELS
    assert made.corrupt is not None
    assert failures.sentence.str.contains(made.corrupt.name, regex=False).all()
    # Lost are parcels whose answer rests on the tile: that of a look and what tells of its border, and, where a hollow
    # on the parcel may be open farther off, that of wider windows.
    fleet = load_fleet(made.fleet)
    with rasterio.open(made.corrupt) as tile:
        lots = gpd.read_file(made.parcels).to_crs(tile.crs).set_index("pid").geometry
        reach = reach_m(fleet, max(tile.res)) + max(tile.res)
        gap = lots.distance(shapely.box(*tile.bounds))
    lost = lots.index.isin(failures.parcel_id)
    assert gap[lost].max() <= fleet.terrain.max_margin_m
    # 77 when written.
    assert (gap[lost] > reach * math.sqrt(2.0)).sum() < PARCELS / 20
    assert lost[gap == 0.0].all() and (gap == 0.0).sum() > PARCELS / 100
    sources = pyogrio.read_dataframe(package, layer="sources")
    assert sources.survey.nunique() >= 2 and sources.crs.nunique() == 2
    answer = run(made.line("out", "--workers", "2", "--quiet", "--resume"))
    assert ", 0 of them now" in answer.out
    assert contents(tmp_path / "out") == first
