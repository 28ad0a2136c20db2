"""Runs without a break: what they give, that nothing depends on workers, and what is done again."""

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.dataset
import pyogrio
import pytest
import rasterio
import shapely
import shapely.affinity
from district import EAST_CRS, WEST_CRS, District, make_district, write_tile
from portfolio_runner import contents, lines, run
from unbroken import Unbroken, copy_of

from slopekit.cli import main
from slopekit.labour.bid import IF_THERE, RESTS_ON
from slopekit.labour.frames import frames_of
from slopekit.schema.layers import LAYERS, PORTFOLIO_LAYERS


def layer(folder: Path, name: str) -> pd.DataFrame:
    return pyogrio.read_dataframe(folder / "portfolio.gpkg", layer=name)


def test_two_processes_give_the_same_bytes_as_one(unbroken: Unbroken) -> None:
    answer = run(unbroken.district.line("two", "--workers", "2"), SMALL_TASKS="4")
    assert answer.code == 3, answer.err
    assert contents(unbroken.district.folder / "two") == unbroken.bytes


def test_every_parcel_is_answered_or_has_a_sentence(unbroken: Unbroken) -> None:
    ids = set(gpd.read_file(unbroken.district.parcels).pid)
    answered, failures = layer(unbroken.out, "parcels"), layer(unbroken.out, "failures")
    assert set(answered.parcel_id) | set(failures.parcel_id) == ids
    assert len(answered) + len(failures) == len(ids) == 36
    assert unbroken.district.corrupt is not None
    told = failures.sentence[failures.sentence.str.contains(unbroken.district.corrupt.name, regex=False)]
    assert len(told) >= 1 and told.str.contains("cannot be read").all()
    assert list(answered.parcel_id) == sorted(answered.parcel_id)
    assert {name for name, _ in pyogrio.list_layers(unbroken.out / "portfolio.gpkg")} == {
        *LAYERS, *PORTFOLIO_LAYERS, "layer_styles",
    }  # fmt: skip


def test_each_parcel_has_the_finest_and_newest_survey_that_covers_its_look(unbroken: Unbroken) -> None:
    sources = layer(unbroken.out, "sources").set_index("parcel_id")
    # Both halves are used, and the coarse survey, which is the newest, only where no finer one has the look.
    assert {name.rpartition(" ")[2] for name in sources.crs} == {"32N", "33N"}
    assert set(sources.cell_m) == {1.0, 2.0}
    assert set(sources.survey_date[sources.cell_m == 2.0]) == {"2023-01-01"}
    assert "2012-01-01" not in set(sources.survey_date)
    assert set(sources.covers) <= {"whole", "look cut"}
    fine = sources[sources.cell_m == 1.0]
    assert set(fine.survey_date) == {"2021-03-04", "2022-05-01"}


def test_results_are_in_the_crs_of_the_parcels(unbroken: Unbroken) -> None:
    given = gpd.read_file(unbroken.district.parcels).set_index("pid").geometry
    zones, parcels = layer(unbroken.out, "zones"), layer(unbroken.out, "parcels").set_index("parcel_id")
    assert zones.crs == WEST_CRS != EAST_CRS
    for one, among in zones.groupby("parcel_id"):
        # Metres to a tenth of a millimetre: parcels of the other zone went there and back.
        left = shapely.symmetric_difference(shapely.union_all(among.geometry, grid_size=1e-4), given[one]).area
        assert left < 1e-3 * given[one].area
        assert among.plan_m2.sum() == pytest.approx(parcels.plan_m2[one], rel=1e-6)


def test_edges_are_measured_in_the_grid_that_areas_are_from(unbroken: Unbroken) -> None:
    """In the frame of its survey a zone has the area that the table tells, in the result's CRS it has not."""
    result = {name: layer(unbroken.out, name) for name in (*RESTS_ON, *IF_THERE)}
    frames = list(frames_of(result))
    assert len(frames) == 2
    for frame in frames:
        assert frame.metres_per_unit == 1.0
        assert frame.zones.area.to_numpy() == pytest.approx(frame.zones["plan_m2"].to_numpy(), rel=1e-6, abs=1e-4)
    off = result["zones"].area / result["zones"]["plan_m2"] - 1.0
    assert 5e-6 < off.abs().max() < 1e-3


def test_the_dataset_holds_the_same_rows(unbroken: Unbroken) -> None:
    # Arrow reads the folder as one dataset, which is what duckdb and GDAL do with it.
    rows = pyarrow.dataset.dataset(unbroken.out / "dataset" / "zones").to_table().to_pandas()
    zones = layer(unbroken.out, "zones")
    assert sorted(rows.zone_id) == sorted(zones.zone_id)
    read = gpd.read_parquet(unbroken.out / "dataset" / "zones")
    assert read.crs == WEST_CRS and read.area.sum() == pytest.approx(zones.area.sum())


def test_the_summary_ranks_and_adds_up(unbroken: Unbroken) -> None:
    summary = pd.read_csv(unbroken.out / "summary.csv")
    parcels = layer(unbroken.out, "parcels")
    assert list(summary["rank"]) == list(range(1, 37))
    crew = summary["hand_crew_m2 [m2]"].dropna()
    assert crew.is_monotonic_decreasing and crew.sum() == pytest.approx(parcels.hand_crew_m2.sum(), abs=0.1)
    content = json.loads((unbroken.out / "summary.json").read_text())
    assert [row["parcel_id"] for row in content["parcels"]] == list(summary.parcel_id)
    sheet = pd.read_excel(unbroken.out / "summary.xlsx", sheet_name="Parcels")
    assert list(sheet.parcel_id) == list(summary.parcel_id)
    assert summary.failure.notna().sum() == len(layer(unbroken.out, "failures"))


def test_one_survey_gives_what_screen_gives(tmp_path: Path) -> None:
    made = make_district(tmp_path, parcels=9, across=2, side=160, lot=20.0, run=30.0, corrupt=False, gap=False)
    for path in made.tiles.iterdir():
        if not path.name.endswith("_00.tif") or path.name.startswith(("old", "coarse")):
            path.unlink()
    named = ["--parcels", str(made.parcels), "--id-column", "pid", "--fleet", str(made.fleet), "--quiet"]
    screened = main(["screen", str(made.tiles), *named, "--out", str(tmp_path / "zones.gpkg")])
    both = gpd.read_file(made.parcels)
    inside = both[both.geometry.within(shapely.box(*_extent(made)))]
    assert screened == 2 and len(inside) > 2  # `screen` refuses what lies outside
    inside.to_file(made.parcels)
    assert main(["screen", str(made.tiles), *named, "--out", str(tmp_path / "zones.gpkg")]) == 0
    # 3: the tiles end within the look of some.
    assert main(["portfolio", str(made.tiles), *named, "--out", str(tmp_path / "out"), "--workers", "1"]) == 3
    ours, theirs = layer(tmp_path / "out", "zones"), pyogrio.read_dataframe(tmp_path / "zones.gpkg", layer="zones")
    theirs = theirs.sort_values("parcel_id", kind="stable").reset_index(drop=True)
    pd.testing.assert_frame_equal(ours.drop(columns="geometry"), theirs.drop(columns="geometry"))
    assert shapely.equals_exact(ours.geometry.array, theirs.geometry.array).all()


def _extent(made: District) -> tuple[float, float, float, float]:
    boxes = []
    for path in made.tiles.iterdir():
        with rasterio.open(path) as file:
            boxes.append(tuple(file.bounds))
    west, south, east, north = np.array(boxes).T
    return float(west.min()), float(south.min()), float(east.max()), float(north.max())


def test_a_finished_run_goes_on_with_nothing_but_its_failures(unbroken: Unbroken) -> None:
    before = lines(unbroken.out)
    answer = run(unbroken.district.line("unbroken", "--resume", "--workers", "1"))
    assert answer.code == 3 and ", 0 of them now" in answer.out
    assert contents(unbroken.out) == unbroken.bytes
    assert lines(unbroken.out) > before  # the failures were tried again


def test_without_resume_an_earlier_run_is_left_alone(unbroken: Unbroken) -> None:
    answer = run(unbroken.district.line("unbroken"))
    assert answer.code == 2 and "--resume" in answer.err.splitlines()[-1]
    assert contents(unbroken.out) == unbroken.bytes


def fresh(made: District, name: str = "again") -> dict[str, bytes]:
    answer = run(made.line(name, "--workers", "1", "--quiet"))
    assert answer.code in (0, 3), answer.err
    return contents(made.folder / name)


def test_a_tile_that_is_mended_changes_only_what_lies_there(unbroken: Unbroken, tmp_path: Path) -> None:
    made, out = copy_of(unbroken, tmp_path)
    assert made.corrupt is not None
    failed = len(layer(out, "failures"))
    with rasterio.open(made.corrupt) as file:
        (west, _, _, north), side = file.bounds, file.width
    write_tile(made.corrupt, WEST_CRS, west, north, side, day="2021-03-04")
    # Copying kept no times: where content counts, that alone changes nothing.
    answer = run(made.line("unbroken", "--resume", "--workers", "1"))
    assert answer.code == 3 and ", 0 failed, 11 covered in part" in answer.out, answer.err
    assert f", {failed} of them now" in answer.out
    assert contents(out) == fresh(made)


def test_a_tile_that_is_added_changes_only_what_lies_there(unbroken: Unbroken, tmp_path: Path) -> None:
    made, out = copy_of(unbroken, tmp_path)
    with rasterio.open(made.tiles / "t_00_00.tif") as file:
        (west, _, _, north), side = file.bounds, file.width
    # Far off in the north-west: the survey's corner moves, and no parcel is near.
    write_tile(made.tiles / "a_far.tif", WEST_CRS, west - 40 * side, north + 40 * side, side, day="2021-03-04")
    answer = run(made.line("unbroken", "--resume", "--workers", "1"))
    assert ", 0 of them now" in answer.out, answer.err
    assert contents(out) == fresh(made)


def test_parcels_that_change_come_and_go(unbroken: Unbroken, tmp_path: Path) -> None:
    made, out = copy_of(unbroken, tmp_path)
    answered = list(layer(out, "parcels").parcel_id)
    frame = gpd.read_file(made.parcels)
    gone, moved = answered[0], answered[-1]
    frame = frame[frame.pid != gone]
    frame.loc[frame.pid == moved, "geometry"] = frame.geometry[frame.pid == moved].buffer(-2.0)
    frame.to_file(made.parcels)
    answer = run(made.line("unbroken", "--resume", "--workers", "1"))
    assert ", 1 of them now" in answer.out, answer.err
    assert contents(out) == fresh(made)
    rows = pyarrow.dataset.dataset(out / "dataset" / "parcels").to_table().to_pandas()
    assert sorted(rows.parcel_id) == sorted(layer(out, "parcels").parcel_id)
    assert gone not in set(rows.parcel_id)


def test_a_faulty_parcel_is_a_row_and_the_others_go_on(tmp_path: Path) -> None:
    made = make_district(tmp_path, parcels=9, across=2, side=160, lot=20.0, run=30.0, corrupt=False, gap=False)
    frame = gpd.read_file(made.parcels)
    x, y = frame.geometry[0].bounds[:2]
    frame.loc[0, "geometry"] = shapely.Polygon([(x, y), (x + 20, y + 20), (x + 20, y), (x, y + 20)])
    frame.loc[1, "geometry"] = None
    frame.loc[2, "geometry"] = shapely.affinity.translate(frame.geometry[2], 1e5, 0.0)
    frame.loc[3, "geometry"] = shapely.LineString([(x, y), (x + 20, y + 20)])
    frame.to_file(made.parcels)
    answer = run(made.line("out", "--workers", "1"))
    assert answer.code == 3, answer.err
    failures = layer(tmp_path / "out", "failures").set_index("parcel_id").sentence
    assert list(failures.index) == ["p00000", "p00001", "p00002", "p00003"]
    for one, words in zip(
        failures, ("not a valid shape", "no geometry", "no elevation under it", "LineString"), strict=True
    ):
        assert words in one and one.endswith(".")
    assert len(layer(tmp_path / "out", "parcels")) == 5


def test_only_failed_leaves_the_rest_as_a_row(unbroken: Unbroken, tmp_path: Path) -> None:
    made, out = copy_of(unbroken, tmp_path)
    answered, failed = layer(out, "parcels").parcel_id, layer(out, "failures").parcel_id
    moved = answered.iloc[0]
    frame = gpd.read_file(made.parcels)
    frame.loc[frame.pid == moved, "geometry"] = frame.geometry[frame.pid == moved].buffer(-2.0)
    frame.to_file(made.parcels)
    answer = run(made.line("unbroken", "--only-failed", "--workers", "1"))
    assert answer.code == 3 and ", 0 of them now" in answer.out
    told = layer(out, "failures").set_index("parcel_id").sentence
    assert set(told.index) == {*failed, moved}
    assert "run again with --resume" in told[moved]
    assert moved not in set(layer(out, "zones").parcel_id)


def test_plan_tells_what_a_run_reads(unbroken: Unbroken) -> None:
    answer = run(unbroken.district.line("plan", command=("portfolio", "plan")))
    assert answer.code == 0, answer.err
    assert "Parcels                        36" in answer.out
    assert "Expected time" in answer.out and "Expected memory" in answer.out
    assert not (unbroken.district.folder / "plan" / "journal.jsonl").exists()
    assert (unbroken.district.folder / "plan" / "index.json").exists()
