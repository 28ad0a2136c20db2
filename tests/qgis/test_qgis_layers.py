"""What only QGIS has: layers in memory, filters, the layer tree, cancelling, forms, other providers."""

import re
import sqlite3
from pathlib import Path
from typing import Any

import click
import geopandas as gpd
import pytest
from listing import names as names_in
from qgis_samples import Done, Place, Qgis, content, screen_values

from slopekit.cli.entry import commands
from slopekit.outputs.manifest import note
from slopekit.schema.layers import LAYERS

pytestmark = pytest.mark.qgis
NAMES = ("screen", "points", "inspect", "landforms", "hours", "compare", "why", "portfolio", "crew_map")


def test_layers_that_only_qgis_knows_are_handed_on_whole(qgis: Qgis, place: Place) -> None:
    parcels = place.file("parcels.gpkg")
    found = qgis.ask("exported", parcels=parcels, crs="EPSG:25832")
    # A layer that is its file is not copied.
    assert found["plain"]["file"] == parcels or found["plain"]["file"].startswith(f"{parcels}|layername=")
    area = gpd.read_file(parcels).geometry.area
    for name, ids in {
        "plain": ["basin", "terrace"],
        "memory": ["basin", "terrace"],
        "filtered": ["basin"],
        "picked": ["terrace"],
        "edited": ["basin", "changed"],
        "turned": ["basin", "terrace"],
    }.items():
        assert found[name]["ids"] == ids, name
        assert found[name]["crs"] == ("EPSG:25833" if name == "turned" else "EPSG:25832"), name
        assert name == "plain" or not found[name]["file"].startswith(str(place.folder)), name
    assert found["memory"]["area"] == pytest.approx(area.sum(), rel=1e-9)


def test_the_result_is_loaded_styled_and_grouped(qgis: Qgis, place: Place, tmp_path: Path) -> None:
    out = tmp_path / "Süd site.gpkg"
    values = {**screen_values(place), "ELEVATION": [place.file("office_park.tif")], "OUTPUT": str(out)}
    found = qgis.ask("loaded", values=values)
    assert found["said"] == []
    assert found["top"] == ["slopekit: Süd site"]
    (layers,) = found["groups"].values()
    names = [name for name, _ in layers]
    with sqlite3.connect(out) as db:
        filled = [name for name in LAYERS if db.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]]
    assert len(names) == len(filled) > 6
    # Lines lie over areas, or the zones would hide them. Tables come last.
    assert (
        names.index("Drops")
        < names.index("Parcels")
        < names.index("Water")
        < names.index("Zones: class that no rule refuses")
    )
    assert names[-1] == "Notes and cautions"
    assert {kind for _, kind in layers} == {"QgsRuleBasedRenderer", ""}
    assert {name for name, kind in layers if not kind} == {"Notes and cautions", "Profiles of the paths to hazards"}


def test_cancelling_stops_the_work_and_leaves_nothing(qgis: Qgis, place: Place, tmp_path: Path) -> None:
    old = tmp_path / "old.gpkg"
    old.write_bytes(b"what was there before")
    note(old, old)
    # Drawing the error many times takes minutes, so that a run that goes on is seen.
    values = {
        **screen_values(place), "ELEVATION": [place.file("office_park.tif")], "REALISATIONS": 1000,
        "OUTPUT": str(old), "WORKERS": 2,
    }  # fmt: skip
    found = qgis.ask("cancel", values=values, stop_at="Screening 2 parcels")
    assert any("Screening 2 parcels" in text for text in found["heard"])
    assert not found["ok"] and "Stopped before the end" in found["told"]
    assert found["children"] == []
    assert names_in(tmp_path) == ["old.gpkg"]
    assert old.read_bytes() == b"what was there before"


def test_batches_run_row_by_row_and_can_be_cancelled(qgis: Qgis, place: Place, tmp_path: Path) -> None:
    ground = place.file("office_park.tif")
    pages = [tmp_path / f"{n} 三.txt" for n in range(2)]
    rows = [
        {"ELEVATION": [ground], "OUTPUT": str(pages[0])},
        {"ELEVATION": [ground], "Z_RMSE": 0.05, "OUTPUT": str(pages[1])},
    ]
    found = qgis.ask("batch", name="inspect", rows=rows, stop_at=None)
    without, given = (page.read_text(encoding="utf-8") for page in pages)
    assert "0.05 m RMSE" in given and "0.05 m RMSE" not in without
    out = tmp_path / "out.gpkg"
    row = {**screen_values(place), "ELEVATION": [ground], "REALISATIONS": 1000, "OUTPUT": str(out)}
    found = qgis.ask("batch", name="screen", rows=[row], stop_at="Screening 2 parcels")
    assert "Screening 2 parcels" in found["log"] and "Stopped before the end" in found["log"]
    assert not out.exists()


def test_the_classes_join_a_provider(qgis: Qgis, place: Place, tmp_path: Path) -> None:
    found = qgis.ask("provider", elevation=place.file("office_park.tif"), page=str(tmp_path / "page.txt"))
    assert found["ids"] == ["own:slopekit_inspect", "own:slopekit_screen"]
    assert found["ok"] and "EPSG:25832" in found["text"]


@pytest.fixture(scope="module")
def forms(qgis: Qgis) -> dict[str, Any]:
    """What QGIS makes of the parameters of each algorithm, asked once."""
    return dict(qgis.ask("parameters", names=NAMES))


def test_forms_have_help_units_and_widgets_for_batches(forms: dict[str, Any]) -> None:
    assert forms.keys() == set(NAMES)
    for name, told in forms.items():
        assert len(told["help"]) > 80 and told["group"] == "slopekit", name
        for key, row in told["parameters"].items():
            assert row["label"], (name, key)
            # Destinations and check boxes say all in their label.
            if row["type"] not in ("fileDestination", "folderDestination", "boolean", "enum"):
                assert row["help"], (name, key)
            if row["type"] == "number" and key not in ("WORKERS", "REALISATIONS"):
                assert re.search(r"\((m|s|MB)\)$", row["label"]), (name, key)
            assert all(row["widgets"]), (name, key, row["widgets"])
        assert told["parameters"]["SLOPEKIT"]["advanced"], name


@pytest.mark.parametrize("name", [n for n in NAMES if n != "crew_map"])
def test_every_option_of_the_command_is_in_the_form(forms: dict[str, Any], name: str) -> None:
    other = {
        "elevation": "ELEVATION", "zones": "ZONES", "out": "OUTPUT", "table": "SHEET", "at": "SPOT", "crs": "SPOT",
        "as_json": "JSON", "fleets": "OTHER_FLEET", "picture": "MAP",
    }  # fmt: skip
    if name == "portfolio":
        other["out"] = "FOLDER"
    # The log always goes to the panel, and the first of all draws is as good as any.
    # A cluster is started in a terminal.
    without = {"quiet", "help", "seed", "scheduler", "scheduler_file", "tls_ca", "tls_cert", "tls_key"}
    if name == "points":
        other |= {"out": "FOLDER", "crs": "CRS"}
    # Of points, which the form does not take.
    without |= {"crs", "classes"} if name == "inspect" else set()
    command = commands.commands[name]
    if isinstance(command, click.Group):
        command = command.commands["run"]
    wanted = {other.get(p.name or "", (p.name or "").upper()) for p in command.params if p.name not in without}
    assert wanted <= set(forms[name]["parameters"])


def test_the_model_chains_screen_hours_and_crew_map(
    qgis: Qgis, place: Place, screened: tuple[Path, Done], tmp_path: Path
) -> None:
    # The same name, since the notes of a result tell the names of its files.
    zones, bid, crew_map = tmp_path / screened[0].name, tmp_path / "bid.xlsx", tmp_path / "map.pdf"
    model = qgis.profile / "processing" / "models" / "slopekit_screen_hours_map.model3"
    values = {
        **screen_values(place), "SEASON": place.file("season.toml"), "GOAL": "hours", "PAGE": "letter",
        "screen:Zones": zones, "hours:Bid": bid, "map:Crew map": crew_map,
    }  # fmt: skip
    taken = {name: value for name, value in values.items() if name not in ("SOFT", "CANOPY")}
    done = qgis.process("run", str(model), "--", *(f"{name}={value}" for name, value in taken.items()))
    assert done.code == 0, done.text
    assert crew_map.read_bytes().startswith(b"%PDF-") and bid.stat().st_size > 10_000
    assert len(content(zones)) > 100
