"""A small real survey with a parcel and a fleet file, and an invented result in place of the long work."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cli_samples import FLEET, NORTH, WEST, Site, invented_tables, write_grid, write_layer
from shapely import LineString, Point, box

import slopekit.screening.batch


@pytest.fixture
def site(tmp_path: Path) -> Site:
    rows, cols = np.mgrid[:60, :80]
    z = (100.0 - 0.05 * rows + 0.02 * cols + 0.3 * np.sin(cols / 5.0) * np.cos(rows / 7.0)).astype("float32")
    write_grid(tmp_path / "ground.tif", z)
    write_layer(tmp_path / "parcels.gpkg", [box(WEST + 20, NORTH - 40, WEST + 60, NORTH - 20)], name=["lawn"])
    write_layer(tmp_path / "walls.gpkg", [LineString([(WEST + 20, NORTH - 30), (WEST + 30, NORTH - 30)])])
    write_layer(tmp_path / "hazards.gpkg", [LineString([(WEST, NORTH - 50), (WEST + 80, NORTH - 50)])], kind=["road"])
    write_layer(tmp_path / "entrances.gpkg", [Point(WEST + 20, NORTH - 30)], width=[2.5])
    for name in ("water", "dry", "exclude", "soft", "canopy", "drives"):
        write_layer(tmp_path / f"{name}.gpkg", [box(WEST + 5, NORTH - 10, WEST + 9, NORTH - 5)])
    (tmp_path / "fleet.toml").write_text(FLEET)
    return Site(tmp_path)


@pytest.fixture
def screened(site: Site, monkeypatch: pytest.MonkeyPatch) -> Site:
    """The site, whose screening is replaced by the invented result."""

    def screen(elevation: Any, parcels: Any, fleet: Any, layers: Any, **more: Any) -> dict[str, Any]:
        site.calls.append({"survey": elevation.survey, "parcels": parcels, "fleet": fleet, "layers": layers, **more})
        more["progress"](1, 1)
        return invented_tables(elevation.survey.grid.crs)

    monkeypatch.setattr(slopekit.screening.batch, "screen", screen, raising=False)
    return site


@pytest.fixture
def instead(site: Site, monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], Any]], Site]:
    """instead(act) -> the site, whose screening does `act`."""

    def one(act: Callable[[], Any]) -> Site:
        monkeypatch.setattr(slopekit.screening.batch, "screen", lambda *_, **__: act(), raising=False)
        return site

    return one
