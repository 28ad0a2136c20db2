"""Edges and passes of parcels whose result is in a CRS that does not measure them: degrees, another zone, a web map."""

import math
from typing import Any

import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
from labour_maker import CREW, RIDE_ON, fleet, season
from result_maker import Zone, made_result

from slopekit.labour.bid import price
from slopekit.sources.local_crs import local_crs
from slopekit.sources.units_of import crs_name

OWN = fleet(ride_on=RIDE_ON | {"across_deg": 12.0, "up_down_deg": 12.0}, crew=CREW | {"edge_rate_m_h": 100.0})
# A lawn of 401 x 249 m: a perimeter of 1300 m. It falls south in its survey's grid, so 125 passes of 2 m, spread over
# 247 m from the first to the last, run east and west: 125 x 401 m, and turns of 247 m together.
PERIMETER_M, PASSES_M = 1300.0, 125 * 401.0 + 247.0
PLACES = {"west": ("WGS 84 / UTM zone 32N", 640_000.0), "east": ("WGS 84 / UTM zone 33N", 310_000.0)}


def lawn(parcel: str) -> dict[str, Any]:
    """A lawn as its survey has it, with a wall of 60 m along the face."""
    crs, east = PLACES[parcel]
    shape = shapely.segmentize(shapely.box(0.0, 0.0, 401.0, 249.0), 10.0)
    wall = shapely.LineString([(100.0, 100.0), (160.0, 100.0)])
    out = made_result(
        OWN, [Zone("z1", shape, "ride_on,crew", parcel=parcel)], drops=[wall], crs=crs, corner=(east, 5.54e6)
    )
    out["zones"]["aspect_deg"], out["zones"]["machine_slope_max_deg"] = 180.0, 3.0
    out["zones"].geometry = shapely.multipolygons([list(out["zones"].geometry)])
    out["drops"]["parcel_id"] = parcel
    return out


def portfolio(crs: str, sources: bool) -> dict[str, Any]:
    """Lawns of two surveys in one result."""
    parts = [lawn(parcel) for parcel in PLACES]
    out = {
        layer: pd.concat([part[layer].to_crs(crs) for part in parts], ignore_index=True)
        for layer in ("zones", "water", "drops")
    }
    out["run_notes"] = parts[0]["run_notes"]
    if sources:
        out["sources"] = pd.DataFrame({"parcel_id": list(PLACES), "crs": [crs for crs, _ in PLACES.values()]})
    return out


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:3857", "EPSG:32632", "EPSG:32633", "EPSG:32635"])
@pytest.mark.parametrize("sources", [True, False])
def test_edges_and_passes_are_those_of_the_survey(crs: str, sources: bool) -> None:
    """Lengths by arithmetic, in any CRS of the result. Without the name of the survey's grid a local projection serves,
    against which the grids are off by up to 0.04 % here, and whose north is not theirs. UTM zone 35 is off by 2 %
    there, and EPSG:3857 by 56 %."""
    near = 1e-6 if sources else 1.5e-3
    priced = price(portfolio(crs, sources), OWN, season(), passes=True)
    edges = priced.tables["work"].query("what == 'edges'").set_index("parcel_id")["edge_m"]
    assert edges.to_dict() == pytest.approx(dict.fromkeys(PLACES, PERIMETER_M + 60.0), rel=near)
    laid = priced.passes.set_index("parcel_id")
    assert laid.crs == crs
    assert laid["length_m"].to_dict() == pytest.approx(dict.fromkeys(PLACES, PASSES_M), rel=near if sources else 0.05)
    assert priced.tables["work"]["pass_hours"].notna().sum() == 2
    if sources:
        assert list(laid["passes"]) == [125, 125] and list(laid["covered_share"]) == pytest.approx([1.0, 1.0])
        # Back in the grid of its survey the first pass runs due west, half a width above the foot: along the contour.
        for parcel, (grid, east) in PLACES.items():
            line = laid[laid.index == parcel].to_crs(grid).geometry.iloc[0].geoms[0]
            assert laid["bearing_deg"][parcel] == pytest.approx(270.0, abs=1e-4)
            (x0, y0), (x1, y1) = line.coords[0], line.coords[1]
            assert (x0 - east, y0 - 5.54e6) == pytest.approx((401.0, 1.0), abs=1e-3)
            assert (x1 - east, y1 - 5.54e6) == pytest.approx((0.0, 1.0), abs=1e-3)


def test_parts_of_a_result_add_up_to_the_whole() -> None:
    whole = portfolio("EPSG:4326", sources=True)
    together = price(whole, OWN, season()).tables["work"]
    for parcel in PLACES:
        part = {name: t if name == "run_notes" else t[t["parcel_id"] == parcel] for name, t in whole.items()}
        alone = price(part, OWN, season()).tables["work"]
        pd.testing.assert_frame_equal(alone, together[together["parcel_id"] == parcel].reset_index(drop=True))


def test_the_crs_that_a_place_is_measured_in() -> None:
    utm, degrees, web = (pyproj.CRS(name).to_wkt() for name in ("EPSG:32632", "EPSG:4326", "EPSG:3857"))
    near, far = np.array([[500_000.0, 5.6e6]]), np.array([[1_900_000.0, 5.6e6]])
    assert local_crs(utm, near, [""]) == [utm]
    # The survey's own grid goes first, whatever it is called; one that is no grid does not count.
    assert local_crs(utm, near, ["ETRS89 / UTM zone 33N"]) == ["ETRS89 / UTM zone 33N"]
    for other in ("WGS 84", "the engineers' grid", utm):
        assert local_crs(utm, near, [other]) == [utm]
    # 1 400 km east of its zone a projection does not serve.
    (local,) = local_crs(utm, far, [""])
    lon = pyproj.Transformer.from_crs(utm, degrees, always_xy=True).transform(*far[0])[0]
    assert lon > 25.0 and pyproj.CRS(local).coordinate_operation.params[1].value == round(lon)
    for crs, place in ((degrees, (9.4, 60.0)), (web, (9.4 * 111_319.49, 8_399_737.9))):
        (local,) = local_crs(crs, np.array([place]), [""])
        change = pyproj.Transformer.from_crs("EPSG:4326", local, always_xy=True)
        # 1000 m on the ellipsoid of WGS 84 to the east and to the north, by the library's geodesics.
        for azimuth in (0.0, 90.0):
            lon, lat, _ = pyproj.Geod(ellps="WGS84").fwd(9.4, 60.0, azimuth, 1000.0)
            (x0, y0), (x1, y1) = change.transform(9.4, 60.0), change.transform(lon, lat)
            assert math.hypot(x1 - x0, y1 - y0) == pytest.approx(1000.0, rel=4e-5)


def test_a_grid_without_a_name_that_finds_it_is_told_whole() -> None:
    assert crs_name(pyproj.CRS("EPSG:25832").to_wkt()) == "ETRS89 / UTM zone 32N"
    own = pyproj.CRS.from_proj4("+proj=tmerc +lon_0=9.5 +k=1 +ellps=GRS80 +units=m +type=crs")
    assert pyproj.CRS(crs_name(own.to_wkt())) == own
