"""The whole district: 2000 parcels over 64 tiles in two CRSs, with overlaps, a gap and a corrupt tile."""

from pathlib import Path

import geopandas as gpd
import pyogrio
import rasterio
import shapely
from district import make_district
from portfolio_runner import contents, run

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
    # What is lost is what rests on the tile, and has no other survey: no parcel farther from it than its look.
    with rasterio.open(made.corrupt) as tile:
        lost = shapely.box(*tile.bounds)
        lots = gpd.read_file(made.parcels).to_crs(tile.crs).set_index("pid").geometry
    reach = parcels.margin_m.max()
    near = set(lots.index[lots.intersects(lost.buffer(reach, join_style="mitre"))])
    print("XX", len(failures), reach, len(near), parcels.margin_m.unique())
    assert set(failures.parcel_id) <= near
    sources = pyogrio.read_dataframe(package, layer="sources")
    assert sources.survey.nunique() >= 2 and sources.crs.nunique() == 2
    answer = run(made.line("out", "--workers", "2", "--quiet", "--resume"))
    assert ", 0 of them now" in answer.out
    assert contents(tmp_path / "out") == first
