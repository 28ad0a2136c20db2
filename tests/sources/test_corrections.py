"""Corrections from the field: what is read, what is refused and in which words, what they add to the layers.

Files are written by GDAL through geopandas, as other programs write them. The rules are the project's own.
"""

import contextlib
import pickle
import sqlite3
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import GeometryCollection, LineString, MultiPoint, Point, Polygon, box

from slopekit.errors import InputError
from slopekit.schema.corrections import DRAWN_AS, NEEDED, WHAT, Correction, holds_for
from slopekit.sources.corrections import read_corrections, with_corrections
from slopekit.sources.layers import Layer, Layers, read_layer

CRS = "EPSG:32617"
TODAY = date(2025, 11, 20)
SURVEY = "sha256:" + "0123456789abcdef" * 4
AREA = box(500_000, 4_000_000, 500_050, 4_000_040)
LINE = LineString([(500_100, 4_000_000), (500_200, 4_000_000)])
SPOT = Point(500_010, 4_000_010)
SIGNED = {"who": "R. Feldmann", "when": "2025-11-19", "why": "walked round it", "survey": SURVEY, "body": "w-3f9a01c2"}


def save(path: Path, *features: tuple[Any, dict[str, Any]], layer: str | None = None, crs: str = CRS) -> Path:
    columns = list(dict.fromkeys(name for _, texts in features for name in texts))
    data = {name: [texts.get(name) for _, texts in features] for name in columns}
    frame = gpd.GeoDataFrame(data, geometry=[shape for shape, _ in features], crs=crs)
    frame.to_file(path, layer=layer) if layer else frame.to_file(path)
    return path


def read(path: Path, crs: str = CRS, metres_per_unit: float = 1.0) -> tuple[Correction, ...]:
    return read_corrections(path, crs, metres_per_unit=metres_per_unit, today=TODAY)


def test_every_kind_is_read_in_each_shape_that_it_may_have(tmp_path: Path) -> None:
    shapes = {"polygon": AREA, "line": LINE, "point": SPOT}
    features = [
        (shapes[name], {"what": what, "width": 2.0, **(SIGNED if what in NEEDED else {}), "body": f"w-{what[:4]}"})
        for what in WHAT
        for name in DRAWN_AS[what]
    ]
    found = read(save(tmp_path / "a.gpkg", *features))
    assert [one.what for one in found] == [texts["what"] for _, texts in features]
    assert [one.number for one in found] == list(range(1, len(features) + 1))
    assert found[-1] == pickle.loads(pickle.dumps(found[-1]))


def test_a_full_rejection_keeps_every_column(tmp_path: Path) -> None:
    texts = {
        **SIGNED,
        "what": " Reject",
        "body": "W-3F9A01C2 ",
        "survey": SURVEY.upper(),
        "who": "Ødegård-三",
        "why": "ä",
    }
    (one,) = read(save(tmp_path / "Wiese 三.gpkg", (SPOT, texts)))
    assert one == Correction(
        1, "reject", SPOT, "w-3f9a01c2", SURVEY, "Ødegård-三", "2025-11-19", "ä", feature="feature 1 (fid 1)"
    )


def test_what_adds_a_hazard_needs_nothing_else(tmp_path: Path) -> None:
    (one,) = read(save(tmp_path / "a.geojson", (AREA, {"what": "no-go"}), crs=CRS), CRS)
    assert (one.who, one.when, one.why, one.body, one.survey, one.height_m) == ("", "", "", "", "", None)
    assert one.feature == "feature 1"


def test_column_names_in_any_case(tmp_path: Path) -> None:
    (one,) = read(save(tmp_path / "a.shp", (LINE, {"WHAT": "Wall", "Height": 1.2, "Who": "B. Ort"})))
    assert (one.what, one.height_m, one.who) == ("wall", 1.2, "B. Ort")


def fault(path: Path, *features: tuple[Any, dict[str, Any]]) -> str:
    save(path, *features)
    with pytest.raises(InputError) as caught:
        read(path)
    message = str(caught.value)
    assert "\n" not in message and message.endswith(".") and "a.gpkg" in message
    return message


GOOD = (AREA, {"what": "water"})


@pytest.mark.parametrize(
    ("shape", "texts", "told"),
    [
        (AREA, {"what": "lava"}, "says what = 'lava', which is not known"),
        (AREA, {"what": None}, "does not say what it is"),
        (AREA, {"what": "  "}, "does not say what it is"),
        (SPOT, {"what": "water"}, "is a point and 'water' is drawn as a polygon or line with its 'width' in metres"),
        (AREA, {"what": "wall"}, "is a polygon and 'wall' is drawn as a line, so"),
        (LINE, {"what": "dry", **SIGNED}, "is a line and 'dry' is drawn as a polygon, so"),
        (MultiPoint([SPOT]), {"what": "no-go"}, "is a point and 'no-go' is drawn as"),
        (GeometryCollection([SPOT]), {"what": "confirm", **SIGNED}, "is a GeometryCollection"),
        (LINE, {"what": "water"}, "is a line of 'water' whose column 'width' says ''"),
        (LINE, {"what": "no-go", "width": 0.0}, "whose column 'width' says '0'"),
        (LINE, {"what": "soft ground", "width": -1.5}, "whose column 'width' says '-1.5'"),
        (LINE, {"what": "wall", "height": 0.0}, "whose column 'height' says '0'"),
        (LINE, {"what": "edge", "height": "1,2"}, "whose column 'height' says '1,2'"),
        (LINE, {"what": "edge", "height": "inf"}, "whose column 'height' says 'inf'"),
        (AREA, {"what": "water", "when": "19.11.2025"}, "says when = '19.11.2025', which is not a date"),
        (AREA, {"what": "water", "when": "2025-11-21"}, "says when = '2025-11-21', which lies in the future"),
        (SPOT, {"what": "reject", **SIGNED, "when": "2025-11-22T00:10:00Z"}, "which lies in the future"),
        (SPOT, {"what": "reject", **SIGNED, "survey": "0123456789a"}, "the survey '0123456789a', which is not"),
        (AREA, {"what": "dry", **SIGNED, "survey": "spring flight"}, "the survey 'spring flight', which is not"),
        (Polygon([(0, 0), (9, 9), (9, 0), (0, 9)]), {"what": "water"}, "is not a valid shape"),
    ],
)
def test_each_fault_names_the_feature_the_value_and_the_fix(
    tmp_path: Path, shape: Any, texts: dict[str, Any], told: str
) -> None:
    message = fault(tmp_path / "a.gpkg", GOOD, (shape, texts))
    assert "a.gpkg: feature 2 (fid 2) " in message and told in message and ", so " in message


@pytest.mark.parametrize(
    ("what", "missing"),
    [(what, name) for what, names in NEEDED.items() for name in names],
)
def test_nothing_is_lifted_without_a_name_a_day_and_a_reason(tmp_path: Path, what: str, missing: str) -> None:
    message = fault(tmp_path / "a.gpkg", GOOD, (AREA, {"what": what, **SIGNED, missing: "  "}))
    assert f"feature 2 (fid 2) has nothing in '{missing}', and a " in message
    assert " needs " in message
    # A column that is not there at all is an empty one.
    (tmp_path / "a.gpkg").unlink()
    texts = {name: text for name, text in SIGNED.items() if name != missing}
    assert (
        fault(tmp_path / "a.gpkg", (AREA, {"what": what, **texts})).partition(" has ")[2]
        == (message.partition(" has ")[2])
    )


def test_a_rejection_needs_all_five() -> None:
    # The project's own rule: the only statement that lifts a hazard is signed, dated, explained and bound.
    assert set(NEEDED["reject"]) == {"body", "survey", "who", "when", "why"}
    assert set(NEEDED) == {"dry", "confirm", "reject"}


def test_file_without_the_column(tmp_path: Path) -> None:
    assert "there is no column 'what', so add it" in fault(tmp_path / "a.gpkg", (AREA, {"kind": "water"}))


def test_column_twice(tmp_path: Path) -> None:
    path = tmp_path / "a.geojson"
    save(path, (AREA, {"what": "water", "What": "dry"}))
    with pytest.raises(InputError, match="column 'what' is there twice"):
        read(path)


def test_a_feature_without_a_shape(tmp_path: Path) -> None:
    assert "feature 2 has no geometry" in fault(tmp_path / "a.gpkg", GOOD, (None, {"what": "water"}))


def test_the_feature_is_named_by_its_id_after_others_were_deleted(tmp_path: Path) -> None:
    path = save(tmp_path / "a.gpkg", GOOD, GOOD, (AREA, {"what": "lava"}))
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        for name in ("rtree_a_geom_delete", "trigger_delete_feature_count_a"):
            db.execute(f"DROP TRIGGER IF EXISTS {name}")
        db.execute("DELETE FROM a WHERE fid = 1")
    with pytest.raises(InputError, match=r"feature 2 \(fid 3\) says what = 'lava'"):
        read(path)


@pytest.mark.parametrize(
    "when",
    [
        "2025-11-19",
        "2025/11/19",
        "2025-11-19T23:59:00",
        date(2025, 11, 19),
        pd.Timestamp("2025-11-19T08:30:00Z"),
        pd.Timestamp("2025-11-19T08:30:00"),
    ],
)
@pytest.mark.parametrize("ending", ["gpkg", "geojson"])
def test_days_as_texts_dates_and_times(tmp_path: Path, when: Any, ending: str) -> None:
    (one,) = read(save(tmp_path / f"a.{ending}", (AREA, {"what": "water", "when": when})))
    assert one.when == "2025-11-19"


def test_today_and_the_day_ahead_in_greenwich_are_no_future(tmp_path: Path) -> None:
    times = ["2025-11-20", "2025-11-21T03:00:00Z"]
    found = read(save(tmp_path / "a.gpkg", *((AREA, {"what": "water", "when": when}) for when in times)))
    assert [one.when for one in found] == ["2025-11-20", "2025-11-21"]


def test_today_is_the_machines_own_unless_told(tmp_path: Path) -> None:
    now = date.today()
    good = save(tmp_path / "good.gpkg", (AREA, {"what": "water", "when": now.isoformat()}))
    assert read_corrections(good, CRS, metres_per_unit=1.0)[0].when == now.isoformat()
    bad = save(tmp_path / "bad.gpkg", (AREA, {"what": "water", "when": (now + timedelta(days=2)).isoformat()}))
    with pytest.raises(InputError, match="lies in the future"):
        read_corrections(bad, CRS, metres_per_unit=1.0)


def test_confirming_and_rejecting_one_body_is_a_conflict(tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    save(path, (AREA, {"what": "confirm", **SIGNED}), layer="corrections_areas")
    save(path, (SPOT, {"what": "reject", **SIGNED, "body": "W-3F9A01C2"}), layer="Corrections_points")
    with pytest.raises(InputError) as caught:
        read(path)
    assert str(caught.value) == (
        f"{path}: feature 1 (fid 1) of corrections_areas confirms 'w-3f9a01c2' and feature 1 (fid 1) of "
        "Corrections_points rejects it, so delete one of them."
    )


def test_two_bodies_are_no_conflict(tmp_path: Path) -> None:
    other = {"what": "reject", **SIGNED, "body": "d-3f9a01c2"}
    assert len(read(save(tmp_path / "a.gpkg", (AREA, {"what": "confirm", **SIGNED}), (SPOT, other)))) == 2


def test_of_several_layers_those_for_corrections_are_read(tmp_path: Path) -> None:
    path = tmp_path / "site.gpkg"
    save(path, (AREA, {"name": "lawn"}), layer="parcels")
    save(path, (AREA, {"what": "water"}), (AREA, {"what": "no-go"}), layer="corrections_areas")
    empty = gpd.GeoDataFrame({"what": pd.Series([], dtype=object)}, geometry=[], crs=CRS)
    empty.to_file(path, layer="corrections_points")
    save(path, (LINE, {"what": "edge"}), layer="CORRECTIONS Süd")
    found = read(path)
    assert [(one.number, one.what, one.feature) for one in found] == [
        (1, "water", "feature 1 (fid 1) of corrections_areas"),
        (2, "no-go", "feature 2 (fid 2) of corrections_areas"),
        (3, "edge", "feature 1 (fid 1) of CORRECTIONS Süd"),
    ]
    (one,) = read(Path(f"{path}|layername=CORRECTIONS Süd"))
    assert (one.number, one.what) == (1, "edge")
    with pytest.raises(InputError, match=r"site.gpkg\|layername=parcels: there is no column 'what'"):
        read(Path(f"{path}|layername=parcels"))


def test_a_single_layer_may_have_any_name_and_tables_beside_it(tmp_path: Path) -> None:
    path = save(tmp_path / "a.gpkg", (AREA, {"what": "water"}), layer="from_the_tablet")
    pd.DataFrame({"a": [1]}).pipe(gpd.GeoDataFrame).to_file(path, layer="a_table")
    assert len(read(path)) == 1


def test_several_layers_none_for_corrections(tmp_path: Path) -> None:
    path = tmp_path / "site.gpkg"
    save(path, GOOD, layer="ponds")
    save(path, GOOD, layer="lakes")
    with pytest.raises(InputError, match=r"none of the layers ponds, lakes .* so name one as '.*layername=ponds'"):
        read(path)


def test_nothing_drawn_and_nothing_there(tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    for layer in ("corrections_areas", "corrections_lines"):
        gpd.GeoDataFrame({"what": pd.Series([], dtype=object)}, geometry=[], crs=CRS).to_file(path, layer=layer)
    with pytest.raises(InputError, match=r"a.gpkg: nothing is drawn in it"):
        read(path)
    with pytest.raises(InputError, match="no such file"):
        read(tmp_path / "b.gpkg")
    (tmp_path / "c.gpkg").write_text("not a database")
    with pytest.raises(InputError, match="cannot be read as a vector file"):
        read(tmp_path / "c.gpkg")


def test_another_crs(tmp_path: Path) -> None:
    path = tmp_path / "a.geojson"
    gpd.GeoDataFrame({"what": ["water", "wall"]}, geometry=[AREA, LINE], crs=CRS).to_crs(4326).to_file(path)
    pond, wall = read(path)
    assert pond.geometry.symmetric_difference(AREA).area < 0.1
    assert wall.geometry.hausdorff_distance(LINE) < 0.01


def test_width_is_metres_on_a_foot_grid_and_after_a_change_of_crs(tmp_path: Path) -> None:
    # EPSG:2263 is in US survey feet of 1200/3937 m (EPSG registry).
    foot = 1200 / 3937
    line = LineString([(1_000_000, 200_000), (1_000_300, 200_000)])
    frame = gpd.GeoDataFrame({"what": ["water"], "width": ["6"]}, geometry=[line], crs="EPSG:2263")
    frame.to_crs(4326).to_file(tmp_path / "a.gpkg")
    (one,) = read(tmp_path / "a.gpkg", "EPSG:2263", foot)
    # A strip with round ends: length times width and a disc.
    assert one.geometry.area * foot**2 == pytest.approx(300 * foot * 6 + np.pi * 3**2, rel=2e-3)


def correction(what: str, shape: Any = AREA, **more: Any) -> Correction:
    return Correction(1, what, shape, **more)


@pytest.mark.parametrize(
    ("said", "holds"),
    [
        (SURVEY, True),
        (SURVEY.upper(), True),
        ("0123456789abcdef" * 4, True),
        ("sha256:0123456789ab", True),
        ("0123456789ab", True),
        ("0123456789a", False),
        ("sha256:0123456789a", False),
        ("sha256:", False),
        ("", False),
        ("stat:0123456789ab", False),
        ("0123456789ac", False),
        ("123456789abc", False),
        (SURVEY + "0", False),
    ],
)
def test_which_survey_a_statement_holds_for(said: str, holds: bool) -> None:
    assert holds_for(correction("reject", survey=said), SURVEY) is holds


def test_statements_on_surveys_known_by_size_and_time() -> None:
    assert holds_for(correction("dry", survey="stat:0123456789ab"), "stat:" + "0123456789abcdef" * 4)
    assert not holds_for(correction("dry", survey="sha256:0123456789ab"), "stat:" + "0123456789abcdef" * 4)


WHERE = {
    "water": "water", "wall": "walls", "edge": "walls", "soft ground": "soft", "low clearance": "canopy",
    "no-go": "no_go", "dry": "dry",
}  # fmt: skip


@pytest.mark.parametrize("what", WHAT)
def test_where_each_correction_goes(what: str) -> None:
    one = correction(what, LINE if what in ("wall", "edge") else AREA, survey=SURVEY)
    layers = with_corrections(Layers(), [one], SURVEY)
    assert layers.corrections == (one,)
    given = {name: layer for name, layer in vars(layers).items() if isinstance(layer, Layer)}
    assert list(given) == ([WHERE[what]] if what in WHERE else [])
    for layer in given.values():
        assert layer.name == "corrections" and layer.kinds is None
        assert layer.within((499_000, 3_999_000, 501_000, 4_001_000)) == [(one.geometry, None)]


def test_dry_ground_of_another_survey_is_not_added() -> None:
    other = correction("dry", survey="sha256:" + "f" * 64)
    # It stays among what was said, so that the result can tell what became of it.
    assert with_corrections(Layers(), [other], SURVEY) == Layers(corrections=(other,))
    # What adds a hazard counts whatever survey it was drawn on.
    assert with_corrections(Layers(), [correction("water", survey=other.survey)], SURVEY).water is not None


def test_merged_with_what_was_given() -> None:
    ponds, fences = Layer.of("a.gpkg", [box(0, 0, 1, 1)]), Layer.of("f.gpkg", [LINE])
    given = Layers(water=ponds, walls=fences, exclude=ponds)
    drawn = [correction("water"), correction("edge", LINE), correction("wall", LINE, height_m=1.5)]
    layers = with_corrections(given, drawn, SURVEY)
    assert layers.water is not None and layers.walls is not None
    assert layers.water.name == "a.gpkg and corrections" and layers.water.heights is None
    assert list(layers.water.geometries) == [*ponds.geometries, AREA]
    assert layers.walls.heights is not None
    np.testing.assert_array_equal(layers.walls.heights, [np.nan, np.nan, 1.5])
    assert layers.exclude is ponds and given.water is ponds
    assert layers.corrections == tuple(drawn) and given.corrections == ()
    assert with_corrections(given, [], SURVEY) == given


def test_heights_of_given_walls_stay_with_their_lines(tmp_path: Path) -> None:
    other = LineString([(600_000, 4_000_000), (600_100, 4_000_000)])
    path = save(tmp_path / "walls.gpkg", (LINE, {"height": None}), (other, {"height": "2.5"}))
    walls = read_layer(path, CRS, metres_per_unit=1.0, geometry="line")
    layers = with_corrections(Layers(walls=walls), [correction("wall", LINE)], SURVEY)
    assert layers.walls is not None and layers.walls.heights is not None
    found = layers.walls.at(other.bounds)
    assert layers.walls.heights[found].tolist() == [2.5]
    assert np.isnan(layers.walls.heights[layers.walls.at(LINE.bounds)]).tolist() == [True, True]


@pytest.mark.parametrize("height", ["0", "-1", "high", "inf"])
def test_a_wall_layers_height_is_a_length(tmp_path: Path, height: str) -> None:
    path = save(tmp_path / "walls.gpkg", (LINE, {"height": "1"}), (LINE, {"height": height}))
    with pytest.raises(InputError, match=rf"feature 2 says '{height}' in the column 'height', so give a height"):
        read_layer(path, CRS, metres_per_unit=1.0, geometry="line")


def test_heights_are_asked_of_walls_only(tmp_path: Path) -> None:
    path = save(tmp_path / "a.gpkg", (AREA, {"height": "-1"}))
    assert read_layer(path, CRS, metres_per_unit=1.0).heights is None
    path = save(tmp_path / "b.gpkg", (LINE, {"height": None}))
    layer = read_layer(path, CRS, metres_per_unit=1.0, geometry="line")
    assert layer.heights is None and pickle.loads(pickle.dumps(layer)).heights is None
