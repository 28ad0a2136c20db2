"""Ground that is marked as coming from coarser cells counts as a gap in the data, and what shows in it stays."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
from ground_maker import SHORT_LOOK, UTM, Answer, answer, box, elevation_of, fleet_of, write_ground

from slopekit.cli import main
from slopekit.errors import InputError
from slopekit.sources.layers import Layer, Layers, read_layer

MACHINES = ("ride_on", "stand_on", "walk_behind", "crew")
PARCEL = box(110, 110, 60, 60)
FILLED = box(130, 130, 12, 12)


def heights(slope: float) -> np.ndarray:
    """A plane that falls southward, with a wall of 2 m along column 136 from row 132 to 139."""
    z = np.repeat(100.0 - slope * np.arange(280.0)[:, None], 280, axis=1)
    z[132:140, 136:] -= 2.0
    z[132:140, 145:] += 2.0
    return z


def answers(tmp_path: Path, slope: float) -> tuple[Answer, Answer, Answer]:
    """The ground as it is, with the mark, and with a gap where the mark lies."""
    fleet = fleet_of(settings=SHORT_LOOK, walk_behind={"above_hazard": True})
    z, gap = heights(slope), heights(slope)
    gap[130:142, 130:142] = np.nan
    whole = elevation_of(tmp_path / "whole.tif", z)
    marked = answer(whole, PARCEL, fleet, Layers(coarse=Layer.of("filled", [FILLED])))
    return answer(whole, PARCEL, fleet), marked, answer(elevation_of(tmp_path / "gap.tif", gap), PARCEL, fleet)


@pytest.mark.parametrize("slope", [0.0, 0.1, 0.3])
def test_it_is_refused_as_a_gap_is_and_hazards_in_it_stay(tmp_path: Path, slope: float) -> None:
    plain, marked, gap = answers(tmp_path, slope)
    for machine in MACHINES:
        unknown = marked.refused(machine, "unknown_ground")
        assert not plain.refused(machine, "unknown_ground").any()
        # At a gap's rim the smoothed surface rests on fewer cells, so where a run just ends may differ by a cell.
        missed = gap.refused(machine, "unknown_ground") & ~unknown
        assert unknown.any() and missed.sum() <= 0.01 * unknown.sum()
        assert not missed[np.isnan(gap.ground.limit_deg)].any()
        # Whatever the whole ground refuses is refused still: the wall in it above all.
        assert not (marked.raw(machine) & ~plain.raw(machine)).any()
        for code in ("above_drop", "reach"):
            assert (marked.refused(machine, code) >= plain.refused(machine, code)).all()
        assert not (marked.final(machine) & ~plain.raw(machine)).any()
    assert plain.refused("ride_on", "above_drop").any()
    assert (marked.zones.reason == "unknown_ground").any()
    # Nothing is told of a slope that is not known.
    refused = marked.refused("crew", "unknown_ground")
    assert np.isnan(marked.ground.limit_deg[refused]).all()


def test_the_gap_of_a_mark_is_no_wider_than_one_cell_more(tmp_path: Path) -> None:
    """Cells that the mark touches, and those beside them, whose slope would rest on it."""
    _, marked, _ = answers(tmp_path, 0.0)
    assert marked.refused("crew", "unknown_ground").sum() == 14 * 14


def test_cells_that_a_survey_may_have_are_left_alone(tmp_path: Path) -> None:
    """5 m is the coarsest cell that a survey may have without --prescreen (docs/screen.md)."""
    cells = [1.0, 3.0, 5.0, 5.1, 10.0, None]
    shapes = [box(20.0 * n, 0.0, 10.0, 10.0) for n in range(len(cells))]
    table = gpd.GeoDataFrame({"cell": cells}, geometry=shapes, crs=UTM)
    table.to_file(tmp_path / "sources.gpkg")
    crs = table.crs.to_wkt()
    kept = read_layer(tmp_path / "sources.gpkg", crs, metres_per_unit=1.0, coarse=True)
    assert [round((g.bounds[0] - shapes[0].bounds[0]) / 20.0) for g in kept.geometries] == [3, 4, 5]
    table[["geometry"]].to_file(tmp_path / "plain.gpkg")
    assert len(read_layer(tmp_path / "plain.gpkg", crs, metres_per_unit=1.0, coarse=True).geometries) == len(cells)
    table.assign(cell="coarse").to_file(tmp_path / "words.gpkg")
    with pytest.raises(InputError, match="feature 1 says 'coarse' in the column 'cell', so give a cell in metres"):
        read_layer(tmp_path / "words.gpkg", crs, metres_per_unit=1.0, coarse=True)


def test_the_option_of_screen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write_ground(Path("z.tif"), heights(0.1))
    gpd.GeoDataFrame(geometry=[PARCEL], crs=UTM).to_file("parcels.gpkg")
    Path("fleet.toml").write_text(fleet_text())
    fine, coarse = box(0, 0, 280, 130), FILLED
    gpd.GeoDataFrame({"cell": [1.0, 10.0]}, geometry=[fine, coarse], crs=UTM).to_file("sources.gpkg", layer="a")
    gpd.GeoDataFrame({"cell": [1.0]}, geometry=[fine], crs=UTM).to_file("sources.gpkg", layer="b")
    line = ["screen", "z.tif", "--parcels", "parcels.gpkg", "--fleet", "fleet.toml", "--quiet", "--out"]
    areas = {}
    for name in ("a", "b"):
        assert main([*line, f"{name}.gpkg", "--coarse", f"sources.gpkg|layername={name}"]) == 0
        areas[name] = float(pyogrio.read_dataframe(f"{name}.gpkg", layer="parcels").unknown_m2.iloc[0])
    # In both a path may lead to ground that is not known only where some is marked.
    assert areas["b"] == 0.0 and areas["a"] >= 14 * 14
    notes = pyogrio.read_dataframe("a.gpkg", layer="run_notes")
    assert (notes[notes.topic == "inputs"].name == "coarse").any()
    missing = " ".join(notes[notes.topic == "not assessed"].value)
    assert "ground from coarser cells" not in missing
    assert main([*line, "c.gpkg"]) == 0
    notes = pyogrio.read_dataframe("c.gpkg", layer="run_notes")
    assert "; ground from coarser cells; " in " ".join(notes[notes.topic == "not assessed"].value)


def fleet_text() -> str:
    return """
schema = 1
[runout]
look_m = 60.0
[conditions.dry]
friction = 0.35
limit_factor = 1.0
[machines.crew]
class = "hand crew"
across_deg = 30.0
up_down_deg = 30.0
above_hazard = true
"""
