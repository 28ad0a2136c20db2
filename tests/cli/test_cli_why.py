"""slopekit why: what it prints, and one sentence for every fault in what it is asked."""

import json
import re
import subprocess
import sys
from pathlib import Path

import click
import geopandas as gpd
import numpy as np
import pytest
import rasterio
from cli_samples import CRS, NORTH, WEST, Site, write_grid, write_layer
from shapely import Point, box

from slopekit.cli import main
from slopekit.cli.entry import commands
from slopekit.schema.inputs import INPUTS
from slopekit.wording import DECIDE

INSIDE = f"{WEST + 40.5},{NORTH - 30.5}"
OUTSIDE = f"{WEST + 400},{NORTH - 30}"


def ask(site: Site, *more: str, at: str = INSIDE) -> int:
    return main(["why", site.path("ground.tif"), "--at", at, "--fleet", site.path("fleet.toml"), *more])


def test_sentences_on_stdout_and_warnings_on_stderr(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask(site) == 0
    out, err = capsys.readouterr()
    lines = out.splitlines()
    assert lines[0].startswith("Spot 500040.5, 5599969.5, its cell of 1 x 1 m at ")
    assert any(re.fullmatch(r"  m1 \(walk-behind\): dry (refused|permitted) .*\.", line) for line in lines)
    assert lines[-1].endswith(DECIDE)
    assert all(line.startswith("Warning: ") for line in err.splitlines())
    assert not re.search(r"\bsafe", out + err, re.IGNORECASE)


def test_json_holds_the_same(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask(site, "--json", "--z-rmse", "0.1") == 0
    facts = json.loads(capsys.readouterr().out)
    assert (facts["spot"]["x"], facts["spot"]["y"]) == (WEST + 40.5, NORTH - 30.5)
    assert [(a["machine"], a["condition"]) for a in facts["answers"]] == [("m1", "dry")]
    assert facts["spot"]["slope_error_deg"] > 0.0


def test_the_answer_as_layers(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    out = Path(site.path("spot.gpkg"))
    drawn = write_layer(site.folder / "pond.gpkg", [box(WEST + 44, NORTH - 60, WEST + 60, NORTH - 50)])
    assert ask(site, "--json", "--water", str(drawn), "--out", str(out)) == 0
    runs = json.loads(capsys.readouterr().out)["spot"]["runs"]
    spots, paths, points = (gpd.read_file(out, layer=name) for name in ("spots", "spot_paths", "spot_profiles"))
    assert len(spots) == 1 and spots.geometry[0] == Point(WEST + 40.5, NORTH - 30.5)
    assert spots.note[0].startswith("Spot ") and spots.note[0].endswith(DECIDE)
    assert len(paths) == len(runs) > 0
    with rasterio.open(site.path("ground.tif")) as raster:
        ground = {name: raster.read(1)[raster.index(shape.x, shape.y)] for name, shape in points.geometry.items()}
    for row, run in zip(paths.itertuples(), runs, strict=True):
        assert (row.condition, row.hazard, row.start_kmh) == (run["condition"], run["to"], run["from_kmh"])
        assert row.geometry.coords[0] == (WEST + 40.5, NORTH - 30.5)
        assert row.geometry.coords[-1] == (run["end_x"], run["end_y"])
        own = points[points.path == row.path].sort_values("point")
        assert [(shape.x, shape.y) for shape in own.geometry] == list(row.geometry.coords)
        assert own.distance_m.iloc[-1] == pytest.approx(run["length_m"])
        # The raster, smoothed over a machine's length, but for the end, where a hazard has a height of its own.
        assert own.height_m[:-1].to_numpy() == pytest.approx([ground[name] for name in own.index[:-1]], abs=0.02)
        # Conservation of energy, v = sqrt(2 g h), with g as the CGPM of 1901 fixed it.
        head = np.maximum(own.line_m - own.height_m, 0.0)
        assert own.speed_kmh.to_numpy() == pytest.approx(3.6 * np.sqrt(2.0 * 9.80665 * head), abs=1e-3)
    assert set(gpd.read_file(out, layer="layer_styles").f_table_name) == {"spots", "spot_paths", "spot_profiles"}
    assert (gpd.read_file(out, layer="run_notes").topic == "cautions").sum() > 3


def test_layers_of_the_answer_replace_nothing_of_others(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    mine = site.folder / "mine.gpkg"
    mine.write_bytes(b"mine")
    for out in (str(mine), site.path("spot.shp"), site.path("ground.tif")):
        assert ask(site, "--out", out) == 2
        out_, err = capsys.readouterr()
        assert out_ == "" and err.startswith("Error: ") and err.count("\n") == 1
    assert mine.read_bytes() == b"mine"


@pytest.mark.parametrize(
    ("layer", "at", "key", "value"),
    [
        ("water", (7.0, 7.0), "here", ["water given"]),
        ("walls", (25.0, 30.5), "here", ["wall or edge given"]),
        ("hazards", (40.5, 50.5), "here", ["hazard"]),
        ("soft", (7.0, 7.0), "soft", True),
        ("canopy", (7.0, 7.0), "canopy", True),
        ("exclude", (7.0, 7.0), "excluded", True),
        ("dry", (7.0, 7.0), "excluded", False),
    ],
)
def test_every_layer_is_read(
    layer: str,
    at: tuple[float, float],
    key: str,
    value: object,
    site: Site,
    capsys: pytest.CaptureFixture[str],
) -> None:
    place = f"{WEST + at[0]},{NORTH - at[1]}"
    assert ask(site, "--json", f"--{layer}", site.path(f"{layer}.gpkg"), at=place) == 0
    assert json.loads(capsys.readouterr().out)["spot"][key] == value
    assert ask(site, f"--{layer}", site.path("nowhere.gpkg"), at=place) == 2
    assert re.fullmatch(r"Error: \S*nowhere\.gpkg: there is no such file[^\n]*\n", capsys.readouterr().err)


def test_corrections_are_read(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    shape = [box(WEST + 38, NORTH - 33, WEST + 43, NORTH - 28)]
    signed = {"who": ["A. Nobody"], "when": ["2025-03-01"], "why": ["a well"]}
    write_layer(site.folder / "said.gpkg", shape, what=["no-go"], **signed)
    assert ask(site, "--json", "--corrections", site.path("said.gpkg")) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["spot"]["no_go"] is True
    assert [(one["number"], one["what"], one["who"]) for one in facts["spot"]["said"]] == [(1, "no-go", "A. Nobody")]
    assert facts["answers"][0]["refusals"][0]["code"] == "no_go"
    assert ask(site, "--corrections", site.path("said.gpkg")) == 0
    out = capsys.readouterr().out
    assert (
        "no_go: a person on site (A. Nobody, 2025-03-01) said that nobody may work here: a well. Refuses m1 (dry)."
        in out
    )
    assert "Correction 1, no-go (A. Nobody, 2025-03-01): counted: it only refuses more. Reason given: a well." in out


def test_us_units_and_words_of_the_users(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    # A foot is 0.3048 m (NIST SP 811, appendix B): the cell of 1 m is 3.28 ft.
    shape = [box(WEST + 38, NORTH - 33, WEST + 43, NORTH - 28)]
    write_layer(
        site.folder / "said.gpkg", shape, what=["no-go"], who=["deck 2 m"], when=["2025-03-01"], why=["well of 2 m"]
    )
    more = ("--corrections", site.path("said.gpkg"))
    assert ask(site, *more, "--units", "us") == 0
    out, err = capsys.readouterr()
    assert "its cell of 3.28 x 3.28 ft at " in out and " sq ft" not in err
    assert "no-go (deck 2 m, 2025-03-01)" in out and "Reason given: well of 2 m." in out
    rest = out.replace("deck 2 m", "").replace("well of 2 m", "")
    assert not re.search(r"\d (?:m|cm|ha|m2|km/h)\b", rest), rest
    assert ask(site, *more, "--units", "feet") == 2
    assert "metric" in capsys.readouterr().err


def test_a_place_in_degrees(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    # 9 degrees east is the central meridian of UTM zone 32, whose easting is 500 000 m by definition (EPSG:25832).
    assert ask(site, "--crs", "EPSG:4258", at="9.0005,50.55") == 2
    assert "lies outside ground.tif" in capsys.readouterr().err
    from pyproj import Transformer

    lon, lat = Transformer.from_crs(CRS, "EPSG:4258", always_xy=True).transform(WEST + 40.5, NORTH - 30.5)
    assert ask(site, "--json", "--crs", "EPSG:4258", at=f"{lon:.9f},{lat:.9f}") == 0
    spot = json.loads(capsys.readouterr().out)["spot"]
    assert (spot["x"], spot["y"]) == pytest.approx((WEST + 40.5, NORTH - 30.5), abs=0.001)


@pytest.mark.parametrize(
    ("at", "more", "told"),
    [
        ("here", [], "'here' is not a place"),
        ("1,2,3", [], "'1,2,3' is not a place"),
        ("500040.5 5599969.5", [], "is not a place"),
        ("nan,5", [], "'nan,5' is not a place"),
        ("500040.5,inf", [], "is not a place"),
        (OUTSIDE, [], "lies outside ground.tif"),
        ("-83.1,42.2", [], "lies outside ground.tif"),
        (INSIDE, ["--crs", "EPSG:999999"], "The CRS 'EPSG:999999' is not known"),
        (INSIDE, ["--crs", "EPSG:4326"], "has no place in the elevation's CRS"),
        (INSIDE, ["--crs", "nonsense"], "The CRS 'nonsense' is not known"),
        (
            INSIDE,
            ["--corrections", "nowhere.gpkg"],
            "nowhere.gpkg: there is no such file, so check",
        ),
        (INSIDE, ["--survey-date", "2999-01-01"], "lies in the future"),
    ],
)
def test_bad_questions_are_one_sentence(
    at: str, more: list[str], told: str, site: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ask(site, *more, at=at) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert re.fullmatch(r"Error: [^\n]+\.\n", err)
    assert told in err


def test_a_void_is_told(site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    z = np.full((60, 80), 10.0, "float32")
    z[30, 40] = -9999.0
    write_grid(tmp_path / "ground.tif", z, nodata=-9999.0)
    assert ask(site) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert re.fullmatch(r"Error: The spot 500040\.5, 5599969\.5 has no elevation in ground\.tif[^\n]*\.\n", err)


def test_layers_are_asked_for_as_in_screen() -> None:
    asked = {name: {p.name: p for p in commands.commands[name].params} for name in ("why", "screen")}
    shared = ("fleet", "survey_date", "prescreen", "z_unit", "z_rmse", "cell", "surface")
    for name in (*INPUTS, *shared):
        mine, other = asked["why"][name], asked["screen"][name]
        assert isinstance(mine, click.Option) and isinstance(other, click.Option)
        assert (mine.opts, mine.help) == (other.opts, other.help)


def test_help_imports_nothing_heavy() -> None:
    show = "import sys; from slopekit.cli import main; main(['why', '--help']); print(*sys.modules, file=sys.stderr)"
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run([sys.executable, "-c", show], capture_output=True, text=True, cwd=root, check=True)
    loaded = {name.partition(".")[0] for name in done.stderr.split()}
    assert "--at X,Y" in done.stdout
    assert not loaded & {"numpy", "numba", "rasterio", "pyproj", "shapely", "pydantic"}


def test_routes_in_take_the_parcels(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    gate = ("--entrances", site.path("entrances.gpkg"))
    assert ask(site, *gate) == 2
    assert "entrances.gpkg: routes in are judged inside a parcel, so give --parcels too" in capsys.readouterr().err
    assert ask(site, *gate, "--parcels", site.path("nowhere.gpkg")) == 2
    assert "nowhere.gpkg: there is no such file" in capsys.readouterr().err
    parcels = ("--parcels", site.path("parcels.gpkg"))
    assert ask(site, *gate, *parcels) == 0
    assert "Routes in" not in capsys.readouterr().out
    # 2.5 m let the machine of 0.9 m in; 0.5 m do not.
    write_layer(site.folder / "entrances.gpkg", [Point(WEST + 20, NORTH - 30)], width=[0.5])
    assert ask(site, *gate, *parcels, "--json") == 0
    (answer,) = json.loads(capsys.readouterr().out)["answers"]
    assert [(r["code"], r["numbers"]["width_m"]) for r in answer["refusals"]] == [("no_route", 0.9)]
