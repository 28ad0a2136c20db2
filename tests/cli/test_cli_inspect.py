"""slopekit inspect and the numbers behind it, against rasterio and scipy."""

import json
import math
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import rasterio
from cli_samples import write_grid
from scipy import ndimage

from slopekit.cli import main
from slopekit.hazards.settings import HazardSettings
from slopekit.kernels.steps import flat_bodies
from slopekit.screening.inspection import inspect_elevation
from slopekit.sources.elevation import open_elevation

DEMO = Path(__file__).resolve().parents[2] / "data_demo" / "office_park.tif"


def labelled(z: np.ndarray, least_cells: float) -> list[int]:
    """Sizes of the bodies over `least_cells`: scipy's labels, one level at a time. Slow and plain."""
    levels = np.rint(z * 1000.0)
    values, counts = np.unique(levels[np.isfinite(levels)], return_counts=True)
    sizes: list[int] = []
    for value in values[counts > least_cells]:
        found = np.bincount(ndimage.label(levels == value)[0].ravel())[1:]
        sizes += found[found > least_cells].tolist()
    return sorted(sizes)


def steps(seed: int, height: int, width: int) -> np.ndarray:
    """Ground of a few levels, so that bodies are many and crooked, with holes in the data."""
    rng = np.random.default_rng(seed)
    z = ndimage.gaussian_filter(rng.normal(0.0, 1.0, (height, width)), 2.0)
    z = np.round(z / z.std() * 1.5) * 0.25 + 50.0 + rng.choice([0.0, 0.01], (height, width), p=[0.97, 0.03])
    z[rng.random((height, width)) < 0.02] = np.nan
    return z.astype("float32")


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("side", [1, 2, 7, 16, 33, 1024])
def test_bodies_are_those_of_scipy_whatever_the_blocks(seed: int, side: int, tmp_path: Path) -> None:
    z = steps(seed, 41, 53)
    settings = HazardSettings(flat_area_m2=20.0)
    with open_elevation([write_grid(tmp_path / "z.tif", z, nodata=math.nan)]) as elevation:
        # A grid of levels has a vertical step; here only the counting is looked at.
        object.__setattr__(elevation.survey, "z_step_m", None)
        found = inspect_elevation(elevation, settings, side=side)
    expected = labelled(z.astype(float), 20)
    assert len(expected) >= 5
    assert found.flat is not None
    assert (found.flat.bodies, found.flat.area_m2) == (len(expected), sum(expected))
    assert found.flat.largest_m2 == expected[-1]
    assert found.missing == np.isnan(z).sum() > 0
    assert (found.lowest_m, found.highest_m) == (np.nanmin(z), np.nanmax(z))
    # The screening looks for the same bodies with a kernel of its own.
    assert found.flat.area_m2 == flat_bodies(z.astype(float), 20.0)[0].sum()


def test_a_spiral_that_crosses_every_block_is_one_body(tmp_path: Path) -> None:
    height = width = 31
    rng = np.random.default_rng(3)
    z = (60.0 + rng.permutation(height * width).reshape(height, width) * 0.002).astype("float32")
    row = col = 0
    d_row, d_col, cells = 0, 1, 0
    spiral = np.zeros((height, width), bool)
    spiral[row, col] = True
    while True:
        for _ in range(2):
            ahead, beyond = (row + d_row, col + d_col), (row + 2 * d_row, col + 2 * d_col)
            inside = 0 <= ahead[0] < height and 0 <= ahead[1] < width
            free = not (0 <= beyond[0] < height and 0 <= beyond[1] < width) or not spiral[beyond]
            if inside and free and not spiral[ahead]:
                break
            d_row, d_col = d_col, -d_row
        else:
            break
        row, col = ahead
        spiral[row, col] = True
        cells += 1
    z[spiral] = 55.0
    assert ndimage.label(spiral)[1] == 1
    with open_elevation([write_grid(tmp_path / "z.tif", z)]) as elevation:
        for side in (1, 4, 5, 31):
            flat = inspect_elevation(elevation, side=side).flat
            assert flat is not None
            assert (flat.bodies, flat.area_m2) == (1, spiral.sum())


def test_exactly_the_limit_is_not_over_it(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    z = (60.0 + rng.permutation(1600).reshape(40, 40) * 0.003).astype("float32")
    z[5:15, 5:15] = 55.0  # 100 m2, and the rule says over 100
    z[20:30, 20:30] = 54.0
    z[30, 20] = 54.0  # 101 m2
    with open_elevation([write_grid(tmp_path / "z.tif", z)]) as elevation:
        flat = inspect_elevation(elevation).flat
    assert flat is not None
    assert (flat.bodies, flat.area_m2) == (1, 101.0)


def test_demo_in_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    with rasterio.open(DEMO) as file:
        z = file.read(1, masked=True)
    assert main(["inspect", str(DEMO), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["survey"]["rows"], found["survey"]["columns"]) == z.shape
    assert found["cells_without_height"] == int(np.ma.count_masked(z))
    assert found["lowest_m"] == pytest.approx(float(z.min()))
    assert found["highest_m"] == pytest.approx(float(z.max()))
    sizes = labelled(z.filled(np.nan).astype(float), 100)
    assert found["flat_cells"] == {
        "bodies_over_m2": 100.0,
        "bodies": len(sizes),
        "area_m2": sum(sizes),
        "largest_m2": sizes[-1],
    }
    # 0.95 of the drop height of 0.9 m counts for a smeared step (arithmetic).
    assert found["step_found_between_cells_m"] == pytest.approx(0.855)
    assert found["step_found_across_a_cell_m"] == pytest.approx(0.855)
    # Not under noise.
    assert found["step_wanted_met"] is False
    assert len(found["walls"]) == 9
    assert {(wall["counted_cell_m"], wall["smear_cells"]) for wall in found["walls"]} == {(1.0, n) for n in (1, 2, 3)}
    # The greater the noise, the less is found.
    for n in (1, 2, 3):
        least = [wall["least_found_m"] for wall in found["walls"] if wall["smear_cells"] == n]
        assert least == sorted(least) and least[0] >= 0.9


@pytest.mark.parametrize("name", ["village_scarp_1m.tif", "farmland_channel_1m.tif", "embankment_2m.tif"])
def test_open_grids_give_scipys_bodies(name: str, open_data: Callable[[str], Path]) -> None:
    with open_elevation([open_data(name)], surface="ground") as elevation:
        z = elevation.read(elevation.survey.grid.bounds).z
        found = inspect_elevation(elevation, side=200)
    assert found.missing == np.isnan(z).sum()
    if elevation.survey.z_step_m is None:
        assert found.flat is not None
        sizes = labelled(z, 100.0 / elevation.survey.grid.cell_m2)
        assert (found.flat.bodies, found.flat.area_m2) == (
            len(sizes),
            pytest.approx(sum(sizes) * elevation.survey.grid.cell_m2),
        )


def test_text_says_how_units_were_decided(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # EPSG:2264 is in US survey feet of 1200/3937 m (EPSG registry; NIST SP 811 for the length).
    rng = np.random.default_rng(5)
    z = rng.uniform(300.0, 400.0, (20, 30)).astype("float32")
    z[0, :3] = -9999.0
    path = write_grid(
        tmp_path / "feet.tif", z, crs="EPSG:2264", cell=3.0, corner=(1_500_000.0, 600_000.0), nodata=-9999.0
    )
    assert main(["inspect", str(path)]) == 2
    assert "--z-unit" in capsys.readouterr().err
    assert main(["inspect", str(path), "--z-unit", "foot", "--z-rmse", "0.1"]) == 0
    out = capsys.readouterr().out
    assert "(EPSG:2264)" in out
    assert "Horizontal unit  us-survey-foot, as the CRS says" in out
    assert "Vertical unit    foot, as --z-unit says" in out
    assert "Vertical error   0.1 m RMSE" in out
    assert f"{3 * 1200 / 3937:.4g} x {3 * 1200 / 3937:.4g} m" in out
    assert "Without heights  0.50 % (3 of 600 cells)" in out
    known = z[z > 0].astype(float) * 0.3048
    assert f"Elevation range  {known.min():.2f} to {known.max():.2f} m" in out


def test_text_says_what_flat_cells_prove(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["inspect", str(DEMO)]) == 0
    out, err = capsys.readouterr()
    words = " ".join(out.split())
    assert err == ""
    assert "bodies of equal cells over 100 m2" in words
    assert "Absence of flat cells proves nothing" in words
    assert "The grid cannot show every step of 0.90 m" in words
    assert "A wall of 1.2 m that the survey smears over two cells of 1 m is found all along in" in words
    assert "a uniform 2:1 bank 6 m wide is taken for a wall, in part, in" in words
    assert "safe" not in words.lower()


def test_stepped_heights_are_not_asked_for_water(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    z = np.repeat(np.arange(40, 60, dtype="int16"), 20)[:, None] * np.ones((1, 60), "int16")
    path = write_grid(tmp_path / "whole.tif", z)
    assert main(["inspect", str(path)]) == 0
    words = " ".join(capsys.readouterr().out.split())
    assert "Vertical step 1 m" in words
    assert "Flat cells not assessed" in words
    assert main(["inspect", str(path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["flat_cells"] is None


def test_a_grid_without_heights_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_grid(tmp_path / "void.tif", np.full((10, 10), -9999.0, "float32"), nodata=-9999.0)
    assert main(["inspect", str(path)]) == 0
    assert "100.00 % (100 of 100 cells)" in (out := capsys.readouterr().out)
    assert "no cell has a height" in out
    assert main(["inspect", str(path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["lowest_m"] is None


def test_cells_finer_and_coarser_than_the_working_cell(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    z = np.random.default_rng(6).uniform(50.0, 60.0, (23, 31)).astype("float32")
    assert main(["inspect", str(write_grid(tmp_path / "fine.tif", z, cell=0.25))]) == 0
    assert "0.25 x 0.25 m; 4 x 4 cells are averaged to a working cell of 1 m" in capsys.readouterr().out
    assert main(["inspect", str(write_grid(tmp_path / "coarse.tif", z, cell=10.0))]) == 0
    assert "Coarse pre-screen only" in capsys.readouterr().out


def test_nothing_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    z = np.random.default_rng(7).uniform(50.0, 60.0, (20, 20)).astype("float32")
    path = write_grid(tmp_path / "z.tif", z)
    monkeypatch.chdir(tmp_path)
    before = path.read_bytes(), path.stat().st_mtime_ns
    assert main(["inspect", "z.tif"]) == 0
    assert [p.name for p in tmp_path.iterdir()] == ["z.tif"]
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


def test_memory_does_not_grow_with_the_area(tmp_path: Path) -> None:
    peaks = []
    for height in (256, 4096):
        z = np.random.default_rng(8).normal(50.0, 0.05, (height, 256)).astype("float32")
        z[:, 40:60] = 49.0
        with open_elevation([write_grid(tmp_path / f"{height}.tif", z)]) as elevation:
            inspect_elevation(elevation, side=64)
            tracemalloc.start()
            found = inspect_elevation(elevation, side=64)
            peaks.append(tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
        assert found.flat is not None
        assert (found.flat.bodies, found.flat.area_m2) == (1, height * 20.0)
    assert peaks[1] < 1.5 * peaks[0]
