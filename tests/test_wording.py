"""Figures in words, and the standing words of everything that the demo's commands write.

What a note must not say is the project's own rule: a length, a slope or a share that is there is never shown as none.
"""

import contextlib
import io
import json
import re
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from slopekit.cli.entry import commands
from slopekit.outputs import symbology
from slopekit.schema.classes import CLASSES
from slopekit.schema.fields import FIELDS
from slopekit.schema.inputs import INPUTS
from slopekit.schema.layers import OUTPUT_LAYERS
from slopekit.schema.reasons import REASONS
from slopekit.screening.notes import CAUTIONS
from slopekit.wording import (
    ACRE_M2,
    CAUTION,
    DECIDE,
    MILE_KM,
    acres_words,
    area_words,
    bearing_words,
    degrees_words,
    feet_words,
    hectares_words,
    hours_words,
    metres_words,
    miles_words,
    part_words,
    percent_words,
    speed_words,
    us_sentence,
)

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "data_demo"
BARE = re.compile(r"(?<![\d.,:])(0 m|0 cm|0\.0 m|0 km/h|0 m2|0 m²|0 %|0\.0 %|1 degrees|bearing 360)(?![\w²])")
TEXTS = (".md", ".ipynb", ".py", ".model3", ".qpt", ".toml")
DEFERS = ("operator's manual", "local codes", "licensed practice", "supervisor")
PERMISSION = re.compile(
    r"who may work|class permitted|nobody without|by machine\b|\bways? (down|in|out)\b(?! and)", re.I
)

# A way is the working direction; a path leads down to a hazard, a route in and out of a parcel.
WAY = re.compile(r"\b(easiest|shortest|worst|any|least|such|machine's) ways?\b|\bways? (to|across)\b", re.I)


def test_no_figure_is_shown_as_nothing() -> None:
    values = np.concatenate([[0.0], np.geomspace(1e-6, 1e4, 4001), np.arange(0.0, 20.0, 0.05)])
    for say in (
        metres_words, area_words, degrees_words, percent_words, speed_words, hectares_words, hours_words, feet_words,
        acres_words, miles_words,
    ):  # fmt: skip
        told = [say(float(value)) for value in values]
        assert [text for text in told if BARE.search(text) or re.match(r"[0.]+ ", text)] == []
        # The words keep the size of the figures, within what they are rounded to.
        sizes = {
            "cm": 0.01,
            "ha": 1e4,
            "ft": 0.3048,
            "in": 0.0254,
            "sq ft": 0.09290304,
            "acres": 4046.856,
            "mph": 1.609344,
        }
        for value, text in zip(values, told, strict=True):
            number, unit = text.removeprefix("under ").split(" ", 1)
            size = float(number) * sizes.get(unit, 1.0)
            off = max(0.34 * value, 0.0 if unit in ("cm", "m", "m2", "ha", "ft", "in", "sq ft", "acres") else 0.5)
            assert value < size if text.startswith("under") else abs(value - size) <= off


@pytest.mark.parametrize(
    ("share", "text"), [(1e-9, "under 1 %"), (0.0099, "under 1 %"), (0.5, "50 %"), (0.994, "over 99 %"), (1.0, "100 %")]
)
def test_a_part_is_neither_nothing_nor_all(share: float, text: str) -> None:
    assert part_words(share) == text


# NIST SP 811 (2008), appendix B.9, from memory: factors to seven digits. Its acre is of survey feet, 4 parts in a
# million larger.
@pytest.mark.parametrize(
    ("metres", "text"),
    [(3.048, "10 ft"), (0.3048, "1.0 ft"), (0.0254, "1 in"), (0.01, "under 1 in"), (1609.344, "5280 ft")],
)
def test_feet(metres: float, text: str) -> None:
    assert feet_words(metres) == text


def test_acres_and_miles_an_hour() -> None:
    assert abs(ACRE_M2 / 4046.873 - 1.0) < 5e-6 and abs(MILE_KM / 1.609344 - 1.0) < 1e-9
    assert acres_words(4046.873) == "1.00 acres" and acres_words(9.290304e-2 * 4000.0) == "4000 sq ft"
    assert miles_words(1.609344 * 8.0) == "8 mph"
    assert (hectares_words(10_000.0), hectares_words(9_999.4)) == ("1.00 ha", "9999 m2")
    assert hours_words(0.04) == "under 0.1 h" and hours_words(1.25) == "1.2 h"


def test_sentences_in_us_units() -> None:
    told = us_sentence(
        "Cells of 1 x 1 m, walls from 0.86 m, water under 0.8 ha, 7 to 9 km/h, 5 cm, 150 m round, 1,200 m2."
    )
    assert told == (
        "Cells of 3.28 x 3.28 ft, walls from 2.82 ft, water under 1.98 acres, 4.35 to 5.59 mph, 1.97 in, 492 ft round, "
        "12,900 sq ft."
    )
    for kept in ("2.0:1, 30 kPa, 5 machines, 3 months", "sha256:12m", "12 degrees and 30 %"):
        assert us_sentence(kept) == kept


def test_names_of_the_users_stay_as_they_are() -> None:
    told = us_sentence(
        "Walk plot 2 m first: deck 2 m works under 12 m, from 9 km/h; plot 2 mine is 3 m.", ["plot 2 m", "deck 2 m"]
    )
    assert told == "Walk plot 2 m first: deck 2 m works under 39.4 ft, from 5.59 mph; plot 2 mine is 9.84 ft."
    assert us_sentence("a 2 m (b", ["2 m (b"]) == "a 2 m (b" and us_sentence("2 m", ["m", ""]) == "6.56 ft"


def test_a_least_speed_is_rounded_down() -> None:
    # NIST Handbook 44 (2024), appendix C: 1 mi = 1.609 344 km. What is said must not promise more room than there is.
    for kmh in np.arange(0.1, 60.0, 0.1).round(1).tolist():
        for head in ("From", "work under"):
            (shown,) = re.findall(rf"^{head} (\S+) mph$", us_sentence(f"{head} {kmh} km/h"))
            assert 0.989 * kmh / 1.609344 < float(shown) <= kmh / 1.609344 * (1.0 + 1e-9)
    assert us_sentence("at 4.5 km/h") == "at 2.8 mph" and us_sentence("from 4.5 km/h") == "from 2.79 mph"


def test_bearings_run_from_0_to_359() -> None:
    told = [bearing_words(float(bearing)) for bearing in np.arange(0.0, 720.0, 0.25)]
    assert {text.split()[0] for text in told} == {str(n) for n in range(360)}
    assert bearing_words(359.7) == "0 degrees" and bearing_words(1.2) == "1 degree"


def _texts_of(package: Path) -> Iterator[str]:
    with sqlite3.connect(package) as file:
        names = [name for (name,) in file.execute("select table_name from gpkg_contents")]
        for name in [*names, "layer_styles"]:
            for row in file.execute(f'select * from "{name}"'):
                yield from (value for value in row if isinstance(value, str))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's zones, bid and landforms, and what is said of spots at its water and its drops."""
    folder = tmp_path_factory.mktemp("said")
    fleet, season = str(DEMO / "fleet.toml"), str(DEMO / "season.toml")

    def run(*words: str) -> str:
        said = io.StringIO()
        with pytest.raises(SystemExit) as done, contextlib.redirect_stdout(said):
            commands.main([*words, "--quiet"], prog_name="slopekit")
        assert done.value.code == 0
        return said.getvalue()

    layers = [
        word
        for name in ("water", "walls", "hazards", "exclude", "soft", "canopy", "entrances", "drives")
        for word in (f"--{name}", str(DEMO / f"{name}.gpkg"))
    ]
    ground = str(DEMO / "office_park.tif")
    zones = str(folder / "zones.gpkg")
    given = ["--parcels", str(DEMO / "parcels.gpkg"), "--id-column", "parcel_id", "--fleet", fleet, *layers]
    run("screen", ground, *given, "--z-rmse", "0.03", "--out", zones, "--report", str(folder / "report.json"))
    run("hours", zones, "--fleet", fleet, "--season", season, "--out", str(folder / "bid.csv"))
    table = str(folder / "landforms.csv")
    run("landforms", ground, "--out", str(folder / "landforms.gpkg"), "--table", table)
    # In the middle of each body of water, on its shore, and at the ends of each drop: where distances come to nothing.
    water = gpd.read_file(zones, layer="water").geometry
    shores = [shapely.get_point(shapely.get_exterior_ring(shape), 0) for shape in water.explode()]
    ends = [
        shapely.get_point(line, n) for line in gpd.read_file(zones, layer="drops").explode().geometry for n in (0, -1)
    ]
    inside = shapely.box(*gpd.read_file(zones, layer="parcels").total_bounds)
    spots = [spot for spot in (*water.representative_point(), *shores, *ends) if inside.contains(spot)]
    assert len(spots) > 3
    asked = ["--parcels", str(DEMO / "parcels.gpkg"), "--fleet", fleet, *layers]
    told = [run("why", ground, "--at", f"{spot.x},{spot.y}", *asked) for spot in spots[:12]]
    (folder / "why.txt").write_text("\n".join(told), encoding="utf-8")
    return folder


def test_what_is_written_of_the_demo(made: Path) -> None:
    texts = [*_texts_of(made / "zones.gpkg"), *_texts_of(made / "landforms.gpkg")]
    texts += [
        (made / name).read_text(encoding="utf-8-sig") for name in ("bid.csv", "landforms.csv", "report.json", "why.txt")
    ]
    notes = [text for text in texts if "because" in text]
    assert len(notes) > 10 and len(texts) > 200
    assert sorted({found[0] for text in texts for found in BARE.finditer(text)}) == []
    assert sorted({found[0] for text in texts for found in PERMISSION.finditer(text)}) == []
    assert sorted({found[0] for text in texts for found in WAY.finditer(text)}) == []
    # Ground that is water says so, and ground that begins at a hazard does not tell of a distance.
    assert any("this ground is water itself" in text for text in notes)
    assert any("The zone touches it" in text for text in notes)
    assert "(the spot stands in it)" in texts[-1] and "(the spot stands at it)" in texts[-1]
    starts = [text for text in texts if "Start at the foot" in text and "upward" in text]
    assert starts and all("where the operator's manual allows work across" in text for text in starts)


def _joined(source: str) -> str:
    """The text of a file whose sentences run over lines, strings and comments."""
    return " ".join(re.sub(r'"\n\s*"|\\n",\s*"|\n#?', " ", source).split())


def test_every_place_of_cautions_defers(made: Path) -> None:
    for name in ("bid.csv", "landforms.csv"):
        table = pd.read_csv(made / name)
        assert table.columns[-1] == "caution" and len(table) > 1
        assert table["caution"][0] == CAUTION and table["caution"][1:].isna().all()
    with sqlite3.connect(made / "zones.gpkg") as file:
        parcels = [note for (note,) in file.execute("select note from parcels")]
        said = " ".join(value for (value,) in file.execute("select value from run_notes where topic = 'cautions'"))
    places = {
        **{f"parcel {n}": note for n, note in enumerate(parcels)},
        "run notes": said,
        "report": (made / "report.json").read_text(encoding="utf-8"),
        "caution": CAUTION,
        "help": " ".join(str(commands.help).split()),
        **{
            str(path.relative_to(ROOT)): _joined(path.read_text(encoding="utf-8"))
            for path in (
                ROOT / "README.md", ROOT / "docs" / "qgis.md", ROOT / "notebooks" / "one_parcel.ipynb",
                ROOT / "slopekit" / "fleet" / "template.py", ROOT / "scripts" / "qgis" / "slopekit_inputs.py",
            )
        },
    }  # fmt: skip
    assert len(parcels) == 4
    # Whatever page, form or notebook tells to walk the ground or names the supervisor.
    tops = [ROOT / "README.md", *(ROOT / top for top in ("docs", "notebooks", "scripts", "slopekit", "data_demo"))]
    for path in (found for top in tops for found in (top, *top.rglob("*"))):
        if path.suffix in TEXTS:
            text = _joined(path.read_text(encoding="utf-8"))
            if re.search("Walk the ground|site supervisor", text) and "DECIDE" not in text:
                places[str(path.relative_to(ROOT))] = text
    assert len(places) > 15
    missing = {(place, word) for place, text in places.items() for word in DEFERS if word not in text}
    assert missing == set()
    sources = [ROOT / "README.md", *(p for top in ("slopekit", "scripts", "docs") for p in (ROOT / top).rglob("*.py"))]
    assert [path.name for path in sources if "local rules" in path.read_text(encoding="utf-8")] == []
    assert DECIDE in CAUTIONS
    assert json.loads((made / "report.json").read_text(encoding="utf-8"))


def test_way_means_the_working_direction_alone() -> None:
    pages = [ROOT / "README.md", ROOT / "CHANGELOG.md"]
    pages += [page for top in ("docs", "notebooks", "scripts") for page in (ROOT / top).rglob("*.*")]
    texts = {page.name: _joined(page.read_text(encoding="utf-8")) for page in pages if page.suffix in TEXTS}
    texts |= {f"{field.layer}.{field.name}": field.meaning for field in FIELDS}
    texts |= {name: row.meaning for name, row in OUTPUT_LAYERS.items()}
    texts |= {code: reason.words for code, reason in REASONS.items()} | {name: row.help for name, row in INPUTS.items()}
    texts |= {mark.label: mark.label for look in symbology.LOOKS.values() for mark in look.marks}
    assert len(texts) > 250
    assert [(name, found[0]) for name, text in texts.items() for found in WAY.finditer(text)] == []


def test_labels_permit_nothing() -> None:
    labels = {mark.code: mark.label for mark in CLASSES}
    assert labels["none"] == "No work before a site visit" and labels["excluded"] == "Left out (your layer)"
    assert "no way in and out from an entrance" in REASONS["no_route"].words
    assert symbology.POSSIBLE_WATER.label.endswith("level ground with a rim")
    code = [path.read_text(encoding="utf-8") for path in (ROOT / "slopekit").rglob("*.py")]
    code += [path.read_text(encoding="utf-8") for path in (ROOT / "scripts").rglob("*.*") if path.suffix != ".pyc"]
    assert [text for text in code if re.search(r"who may work where|Machine class permitted", text, re.I)] == []
