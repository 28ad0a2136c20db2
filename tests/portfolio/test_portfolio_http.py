"""Tiles on a web server: only blocks that are needed travel; what is cut off is asked for again, then told."""

import json
import os
import shutil
import signal
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
from district import FLEET, WEST_CRS, corners, write_tile
from portfolio_runner import run
from range_server import Server, serving
from shapely import box

from slopekit import pool
from slopekit.fleet.load import load_fleet
from slopekit.portfolio import index
from slopekit.portfolio.limits import Limits
from slopekit.portfolio.prepare import Order, prepare
from slopekit.portfolio.tasks import Group
from slopekit.portfolio.worker_pool import run_tasks
from slopekit.sources.elevation import Elevation, open_elevation
from slopekit.sources.layers import Layers

pytestmark = pytest.mark.fault

SIDE = 1500


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two large tiles side by side, and two parcels in the middle of the first."""
    place = tmp_path_factory.mktemp("served")
    (x, y), _ = corners()
    write_tile(place / "one.tif", WEST_CRS, x, y, SIDE)
    write_tile(place / "two.tif", WEST_CRS, x + SIDE, y, SIDE)
    lots = [box(x + 700 + k, y - 750, x + 720 + k, y - 730) for k in (0, 30)]
    gpd.GeoDataFrame({"pid": ["a", "b"]}, geometry=lots, crs=WEST_CRS).to_file(place / "parcels.gpkg")
    (place / "fleet.toml").write_text(FLEET.format(run=30))
    return place


def line(server: Server, folder: Path, out: Path, *more: str) -> list[str]:
    tiles = [f"{server.address}/{name}.tif" for name in ("one", "two")]
    named = ["--parcels", str(folder / "parcels.gpkg"), "--id-column", "pid", "--fleet", str(folder / "fleet.toml")]
    return ["portfolio", *tiles, *named, "--out", str(out), "--workers", "1", "--quiet", *more]


def zones(out: Path) -> list[str]:
    return [str(row) for row in pyogrio.read_dataframe(out / "portfolio.gpkg", layer="zones").to_dict("records")]


def test_only_the_blocks_that_are_needed_travel(folder: Path, tmp_path: Path) -> None:
    with serving(folder) as server:
        answer = run(line(server, folder, tmp_path / "out"))
        assert answer.code == 0, answer.err
        first = server.state(drop=0)["sent"]
        whole = {name: (folder / name).stat().st_size for name in ("one.tif", "two.tif")}
        # The facts of a survey come from 16 small windows of all of it; the parcels lie in one place.
        assert sum(first.values()) < 0.5 * sum(whole.values()), (first, whole)
        frame = gpd.read_file(folder / "parcels.gpkg")
        changed = tmp_path / "parcels.gpkg"
        frame.assign(geometry=frame.buffer(-1.0)).to_file(changed)
        more = line(server, folder, tmp_path / "out", "--resume")
        more[more.index("--parcels") + 1] = str(changed)
        assert run(more).code == 0
        again = server.state()["sent"]
        assert sum(again.values()) < 0.5 * sum(whole.values()), again


def test_what_is_dropped_is_asked_for_again(folder: Path, tmp_path: Path) -> None:
    with serving(folder) as server:
        assert run(line(server, folder, tmp_path / "calm")).code == 0
        server.state(drop=3)
        answer = run(line(server, folder, tmp_path / "rough"))
        assert answer.code == 0, answer.err
        assert server.state()["dropped"] == 3
    assert zones(tmp_path / "calm") == zones(tmp_path / "rough")


def test_a_server_that_goes_on_dropping_is_told(folder: Path, tmp_path: Path) -> None:
    with serving(folder) as server:
        # The index holds the headers: what fails is the cells.
        assert run(line(server, folder, tmp_path / "out")).code == 0
        (tmp_path / "off").mkdir()
        shutil.copy(tmp_path / "out" / "index.json", tmp_path / "off")
        server.state(drop=10_000)
        answer = run(line(server, folder, tmp_path / "off"), PATIENCE="0.1")
        assert answer.code == 3, answer.err
        assert server.state()["dropped"] > 3
    failures = json.loads((tmp_path / "off" / "summary.json").read_text())["parcels"]
    assert all("one.tif" in row["failure"] and "out of reach" in row["failure"] for row in failures)
    assert len(failures) == 2


def test_headers_that_hang_are_given_up_side_by_side(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(index, "_HEADER_S", 5.0)
    seen: list[tuple[int, int]] = []
    with serving(folder) as server:
        hanging = [f"{server.address}/hang{n}.tif" for n in range(12)]
        whole = [f"{server.address}/{name}.tif" for name in ("one", "two")]
        found = index.index_of([*hanging, *whole], None, progress=lambda done, total: seen.append((done, total)))
        asked = server.state()["sent"]
    assert set(found.faults) == set(hanging)
    assert all(f"{name}: no answer came within 5 s" in told for name, told in found.faults.items())
    assert [e.name for e in found.entries if e.header is not None] == whole
    assert all(asked[f"hang{n}.tif"] for n in range(12))
    assert seen == [(n, 14) for n in range(1, 15)]


@pytest.mark.parametrize("option", ["--parcels", "--water"])
def test_a_layer_that_hangs_is_given_up(folder: Path, tmp_path: Path, option: str) -> None:
    with serving(folder) as server:
        name = f"/vsicurl/{server.address}/hang.gpkg"
        answer = run([*line(server, folder, tmp_path / "out"), option, name], PATIENCE="1")
        assert server.state()["sent"]["hang.gpkg"] > 0
    assert answer.code == 2 and "Traceback" not in answer.err, answer.err
    assert answer.err.splitlines()[-1].startswith(f"Error: {name}: ") and "its server answers" in answer.err


def test_a_server_that_never_answers_is_given_up(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(index, "_HEADER_S", 3.0)
    monkeypatch.setattr(index, "_AT_ONCE", 4)
    with serving(folder) as dead, serving(folder) as well:
        hanging = [f"{dead.address}/hang{n:03}.tif" for n in range(300)]
        found = index.index_of([*hanging, f"{well.address}/one.tif"], None)
        asked = dead.state()["sent"]
    assert set(found.faults) == set(hanging)
    # Those that were under way when the server was given up, and no more.
    assert 4 <= len(asked) <= 8
    told = [sentence for sentence in found.faults.values() if "its server did not answer for 4 others" in sentence]
    assert len(told) == 300 - len(asked)


def test_a_process_that_dies_over_a_header_is_one_fault(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def dies(name: str) -> None:
        os.kill(os.getpid(), signal.SIGKILL)

    monkeypatch.setattr(index, "read_header", dies)
    assert len(index.index_of(["http://127.0.0.1:9/a.tif"], None).faults) == 1


def sides(elevation: Elevation, west: float) -> float:
    """Lowest height of a window; a function of the module, which other processes can call."""
    _, south, _, north = elevation.survey.grid.bounds
    return float(np.nanmin(elevation.read((west, south + 700.0, west + 300.0, north - 700.0)).z))


def test_no_process_uses_a_connection_of_another(folder: Path) -> None:
    """Answers on a connection that two processes share would be given to the wrong one."""
    with serving(folder) as server, open_elevation([f"{server.address}/one.tif"]) as elevation:
        sides(elevation, elevation.survey.grid.bounds[0])
        before = set(server.state()["calls"])
        west = elevation.survey.grid.bounds[0]
        windows = [west + step for step in (200.0, 600.0, 900.0, 1100.0)]
        server.state(drop=0)
        found = sorted(pool.run(sides, elevation, windows, 2))
        after = set(server.state()["calls"])
    assert before and after and not before & after
    with open_elevation([folder / "one.tif"]) as local:
        assert found == sorted(sides(local, window) for window in windows)


def test_no_worker_of_a_portfolio_uses_a_connection_of_its_parent(folder: Path) -> None:
    with serving(folder) as server:
        order = Order(
            elevation=[f"{server.address}/one.tif"], parcels=str(folder / "parcels.gpkg"), id_column="pid",
            fleet=load_fleet(folder / "fleet.toml"), read_layers=lambda _: Layers(), limits=Limits(60.0, 4000.0),
            inputs={}, job="{}",
        )  # fmt: skip
        prepared = prepare(order, None, 1)
        before = set(server.state()["calls"])
        server.state(drop=0)
        tasks = [(Group(c.survey.id, (c.parcel,)),) for c in prepared.choices.found.values()]
        done = list(run_tasks(prepared.work, tasks, 2))
        after = set(server.state()["calls"])
    assert {one for result in done for one in result.seen} == {"a", "b"}
    assert before and after and not before & after
