"""The whole district: 2000 parcels over 64 tiles in two CRSs, with overlaps, a gap and a corrupt tile."""

from pathlib import Path

import geopandas as gpd
import pyogrio
import rasterio
import shapely
from district import make_district
from portfolio_runner import contents, run

from slopekit.fleet.load import load_fleet
from slopekit.ground import reach_m

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
    # Lost are parcels whose answer rests on the tile, and no others.
    with rasterio.open(made.corrupt) as tile:
        lots = gpd.read_file(made.parcels).to_crs(tile.crs).set_index("pid").geometry
        reach = reach_m(load_fleet(made.fleet), max(tile.res))
        lost = shapely.box(*tile.bounds)
    near = lots.index[lots.intersects(shapely.buffer(lost, reach + max(tile.res), join_style="mitre"))]
    print("XX", reach, len(near), len(failures), lots[failures.parcel_id].distance(lost).max())
    assert set(failures.parcel_id) <= set(near)
    assert len(failures) > 0.5 * len(near)
    sources = pyogrio.read_dataframe(package, layer="sources")
    assert sources.survey.nunique() >= 2 and sources.crs.nunique() == 2
    answer = run(made.line("out", "--workers", "2", "--quiet", "--resume"))
    assert ", 0 of them now" in answer.out
    assert contents(tmp_path / "out") == first
