"""What only QGIS has: layers in memory, filters, the layer tree, cancelling, forms, other providers."""

import contextlib
import json
import re
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import click
import geopandas as gpd
import pytest
from listing import names as names_in
from qgis_samples import SPOT, Done, Place, Qgis, Said, content, screen_values

from slopekit.cli.entry import commands
from slopekit.outputs.manifest import note
from slopekit.schema.inputs import INPUTS
from slopekit.schema.layers import LAYERS, OUTPUT_LAYERS, TREE

pytestmark = pytest.mark.qgis
NAMES = (
    "demo", "fields", "screen", "points", "inspect", "landforms", "hours", "compare", "why", "portfolio", "sheets",
    "page", "phone", "export", "tiles_find", "tiles_fetch", "tiles_sources", "crew_map", "fleet_new",
    "fleet_check", "season_new", "corrections_new", "corrections_check",
)  # fmt: skip
MODEL = "model:Screen, hours and crew map"


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
    with contextlib.closing(sqlite3.connect(place.file("parcels.gpkg"))) as db:
        (table,) = (row[0] for row in db.execute("SELECT table_name FROM gpkg_contents"))
    one = {**values, "PARCELS": f"{place.file('parcels.gpkg')}|layername={table}|subset=\"parcel_id\" = 'basin'"}
    # From few layers to many and back: some come later, and some lose all that they had.
    found = qgis.ask("loaded", values=one, again=[values, one])
    assert found["said"] == []
    assert found["top"] == ["slopekit: Süd site"]
    (layers,) = found["groups"].values()
    names = [name for name, _ in layers]
    with contextlib.closing(sqlite3.connect(out)) as db:
        rows = {name: db.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for name in LAYERS}
    first, many, last = found["orders"]
    assert set(first) < set(many) == set(last) == set(names) and len(names) > 6
    assert {name: number for name, number in rows.items() if number}.items() <= found["rows"].items()
    # What an earlier result had and this one has not is shown no more.
    assert {rows[name] for name in found["rows"]} >= {0} and found["rows"] == {n: rows[n] for n in found["rows"]}
    # Lines lie over areas, or the zones would hide them. Tables come last.
    for listed in (*found["orders"], found["drawn"]):
        assert listed == [OUTPUT_LAYERS[name].title for name in TREE if OUTPUT_LAYERS[name].title in listed]
    over = [names.index(name) for name in ("Paths down to hazards", "Drops", "Parcels", "Water")]
    assert over == sorted(over) and over[-1] < names.index("Zones: class that no rule refuses")
    # What was loaded already shows the result that replaced it, and is there once.
    (few, _), (more, read), again = found["counts"]
    assert few < more == read and again == [few, few] == [len(gpd.read_file(out, layer="zones"))] * 2
    assert names[-1] == "Notes and cautions"
    assert {kind for _, kind in layers} == {"QgsRuleBasedRenderer", ""}
    assert {name for name, kind in layers if not kind} == {
        "Notes and cautions", "Profiles of the paths to hazards", "What refuses each machine",
    }  # fmt: skip


def test_the_answer_for_a_spot_is_loaded_styled(qgis: Qgis, screened: tuple[Path, Done], tmp_path: Path) -> None:
    spot = {"SPOT": f"{SPOT[0]},{SPOT[1]} [EPSG:25832]", "ZONES": str(screened[0])}
    values = {**spot, "OUTPUT": str(tmp_path / "why.txt"), "LAYERS": str(tmp_path / "why.gpkg")}
    found = qgis.ask("loaded", values=values, name="why")
    assert found["said"] == []
    (layers,) = found["groups"].values()
    assert layers == [
        ["Spot that was asked about", "QgsRuleBasedRenderer"],
        ["Profiles of the paths from the spot", "QgsRuleBasedRenderer"],
        ["Paths from the spot", "QgsRuleBasedRenderer"],
        ["Notes and cautions", ""],
    ]


def test_one_parcel_and_copies_of_a_result(
    qgis: Qgis, place: Place, screened: tuple[Path, Done], command_line: Callable[..., Said], tmp_path: Path
) -> None:
    result = str(screened[0])
    found = qgis.ask("parts", package=result, folder=str(tmp_path))
    given = found["given"]
    assert given["whole"] == given["virtual"] == [result, []]
    assert given["filtered"] == [result, ["basin"]] and given["picked"] == [result, ["terrace"]]
    assert given["memory"].startswith("memory: this layer is a copy") and given["nothing"].startswith(
        "nothing: no zone"
    )
    # A part, and a copy whose tables have the titles of the layers, price as the whole does.
    fleet, bids = place.file("fleet.toml"), []
    zones = f"{result}|layername=zones|subset=\"parcel_id\" = 'basin'"
    for name, value in {"part": zones, "packed": found["packed"]}.items():
        bids.append(tmp_path / f"{name}.json")
        done = qgis.run("hours", ZONES=value, FLEET=fleet, OUTPUT=bids[-1])
        assert done.code == 0, done.text
    assert command_line("hours", result, "--fleet", fleet, "--out", str(tmp_path / "whole.json")).code == 0
    part, packed, whole = (json.loads(path.read_text("utf-8"))["work"] for path in (*bids, tmp_path / "whole.json"))
    assert packed == whole and part == [row for row in whole if row["parcel_id"] == "basin"] != []
    pdf = tmp_path / "packed.pdf"
    done = qgis.run("crew_map", ZONES=found["packed"], OUTPUT=pdf)
    assert done.code == 0 and pdf.read_bytes().startswith(b"%PDF-"), done.text


def test_tables_of_tiles_are_loaded_and_sheets_are_opened_in_a_window(
    qgis: Qgis, place: Place, screened: tuple[Path, Done], tmp_path: Path
) -> None:
    tiles = {
        "INDEX": str(place.tile_index()),
        "PARCELS": place.file("parcels.gpkg"),
        "OUTPUT": str(tmp_path / "t.gpkg"),
    }
    sheets = {"ZONES": str(screened[0]), "OUTPUT": str(tmp_path / "sheets.pdf")}
    found = qgis.ask("shown", tiles=tiles, sheets=sheets)
    assert found["said"] == []
    assert sorted(found["loaded"]) == [["Ground that each parcel needs", 2], ["Tiles that parcels need", 1]]
    assert found["opened"] == [[], [sheets["OUTPUT"]], []]


def test_a_text_or_map_that_is_open_elsewhere_is_told_before_the_work(
    qgis: Qgis, place: Place, screened: tuple[Path, Done], tmp_path: Path
) -> None:
    out = tmp_path / "out.pdf"
    out.write_bytes(b"what was there before")
    cases = {
        "inspect": {"ELEVATION": [place.file("office_park.tif")], "OUTPUT": str(out)},
        "crew_map": {"ZONES": str(screened[0]), "OUTPUT": str(out)},
    }
    found = qgis.ask("locked", path=str(out), cases=cases)
    assert found["began"] == 0
    for told in found["told"].values():
        assert told.startswith(f"{out}: this file is open in another program"), told
    assert out.read_bytes() == b"what was there before" and names_in(tmp_path) == ["out.pdf"]


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
    return dict(qgis.ask("parameters", names=(*NAMES, MODEL)))


def test_forms_have_help_units_and_widgets_for_batches(forms: dict[str, Any]) -> None:
    assert forms.keys() == {*NAMES, MODEL}
    for name in NAMES:
        told = forms[name]
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


def test_forms_are_found_by_their_words_and_their_help_is_there(qgis: Qgis, forms: dict[str, Any]) -> None:
    for name in NAMES:
        told = forms[name]
        assert {"slopekit", "mowing"} < set(told["tags"]) and len(set(told["tags"])) == len(told["tags"]) > 4, name
        page, _, part = told["url"].removeprefix("file://").partition("#")
        text = Path(unquote(page)).read_text(encoding="utf-8")
        assert not part or f'id="{part}"' in text, name


def test_every_command_is_a_form() -> None:
    def leaves(group: click.Group, *names: str) -> Iterator[str]:
        for name, command in group.commands.items():
            yield from leaves(command, *names, name) if isinstance(command, click.Group) else ["_".join([*names, name])]

    # Scripts are brought to QGIS from outside, and a plan is for those who have a cluster to pay for.
    without = {"qgis_install", "qgis_check", "qgis_styles", "portfolio_plan"}
    assert {name.removesuffix("_run") for name in set(leaves(commands)) - without} == set(NAMES) - {"crew_map"}


def command_of(name: str) -> click.Command:
    """The command that an algorithm runs."""
    group, _, own = name.partition("_")
    command = commands.commands[group]
    return command.commands[own or "run"] if isinstance(command, click.Group) else command


@pytest.mark.parametrize("name", [n for n in NAMES if n != "crew_map"])
def test_every_option_of_the_command_is_in_the_form(forms: dict[str, Any], name: str) -> None:
    other = {
        "elevation": "ELEVATION", "zones": "ZONES", "out": "OUTPUT", "table": "SHEET", "at": "SPOT", "crs": "SPOT",
        "as_json": "JSON", "fleets": "OTHER_FLEET", "picture": "MAP",
    }  # fmt: skip
    if name in ("portfolio", "export", "demo"):
        other["out"] = "FOLDER"
    if name in ("hours", "compare", "sheets", "page", "phone", "export"):
        # Parcels are chosen by a filter or a selection of their zones.
        other["parcels"] = "ZONES"
    # The log always goes to the panel, and the first of all draws is as good as any.
    # A cluster is started in a terminal.
    without = {"quiet", "help", "seed", "scheduler", "scheduler_file", "tls_ca", "tls_cert", "tls_key"}
    if name in ("points", "inspect"):
        other["crs"] = "CRS"
    if name == "points":
        other["out"] = "FOLDER"
    if name == "tiles_fetch":
        other["table"] = "TABLE"
    if name in ("fleet_new", "season_new", "corrections_new"):
        other |= {"file": "OUTPUT", "first": "ELEVATION", "more": "ELEVATION"}
    if name == "fleet_check":
        other["file"] = "FLEET"
    command = command_of(name)
    wanted = {other.get(p.name or "", (p.name or "").upper()) for p in command.params if p.name not in without}
    assert wanted <= set(forms[name]["parameters"])


@pytest.mark.parametrize("name", [*(n for n in NAMES if n != "crew_map"), MODEL])
def test_every_input_of_the_registry_that_a_command_takes_is_in_the_form(forms: dict[str, Any], name: str) -> None:
    command = command_of("screen" if name == MODEL else name)
    taken = {one.name for one in command.params} & set(INPUTS)
    assert name not in ("screen", "portfolio", "why", "landforms", MODEL) or "water" in taken
    rows = forms[name]["parameters"]
    assert {one for one in taken if one.upper() in rows} == taken
    for one in taken:
        assert rows[one.upper()]["label"] == INPUTS[one].label
        # QGIS keeps the help of a model's parameters beside them.
        assert name == MODEL or rows[one.upper()]["help"] == INPUTS[one].help


def test_the_model_asks_all_that_screen_parcels_asks(forms: dict[str, Any]) -> None:
    asked = {key for key, row in forms["screen"]["parameters"].items() if not row["result"]}
    # What it decides itself: the result is shown, and only files of slopekit are replaced.
    assert asked - set(forms[MODEL]["parameters"]) == {"LOAD", "OVERWRITE"}


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
    done = qgis.process("run", str(model), "--", *(f"{name}={value}" for name, value in values.items()))
    assert done.code == 0, done.text
    assert crew_map.read_bytes().startswith(b"%PDF-") and bid.stat().st_size > 10_000
    # Row by row what 'Screen parcels' gives, so the model permits no more.
    assert content(zones) == content(screened[0])
