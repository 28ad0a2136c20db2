"""The demo's zones, screened once, and their pages."""

from dataclasses import replace
from pathlib import Path

import pytest
from page_names import NAMES

import slopekit

LAYERS = ("water", "walls", "hazards", "exclude", "soft", "canopy", "entrances", "drives")


@pytest.fixture(scope="session")
def demo() -> slopekit.Result:
    data = slopekit.demo_data()
    given = {name: data / f"{name}.gpkg" for name in LAYERS}
    return slopekit.screen(
        data / "office_park.tif",
        data / "parcels.gpkg",
        data / "fleet.toml",
        id_column="parcel_id",
        z_rmse_m=0.05,
        workers=1,
        **given,
    )


@pytest.fixture(scope="session")
def page(demo: slopekit.Result, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return demo.page(tmp_path_factory.mktemp("page") / "page.html", hours=demo.hours())[0]


def renamed(result: slopekit.Result) -> slopekit.Result:
    """The same zones with the ids of `NAMES`, and markup in their notes."""
    layers = {}
    for name, table in result.layers.items():
        table = table.copy()
        if "parcel_id" in table:
            old = table["parcel_id"].astype(str)
            if "zone_id" in table:
                ends = [zone.removeprefix(own) for zone, own in zip(table["zone_id"].astype(str), old, strict=True)]
                table["zone_id"] = [NAMES[own] + end for own, end in zip(old, ends, strict=True)]
            table["parcel_id"] = [NAMES[own] for own in old]
        if name == "zones":
            table["note"] = [f"{note} <b>bold</b> \ue000 </script>" for note in table["note"]]
        layers[name] = table
    return replace(result, layers=layers)


@pytest.fixture(scope="session")
def odd(demo: slopekit.Result) -> slopekit.Result:
    return renamed(demo)
