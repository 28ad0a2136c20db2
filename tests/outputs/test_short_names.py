"""Shapefiles: names, texts, styles and what stands beside them, read back by GDAL."""

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import geopandas as gpd
import pytest

import slopekit as sk
from slopekit.api.demo import demo_data
from slopekit.cli import main
from slopekit.errors import InputError
from slopekit.outputs.short_names import cut_text, short_names
from slopekit.schema.fields import FIELDS, fields_of
from slopekit.schema.layers import GEOMETRIES

LAYERS = tuple(dict.fromkeys(field.layer for field in FIELDS if GEOMETRIES[field.layer]))


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    data, out = demo_data(), tmp_path_factory.mktemp("export") / "zones.gpkg"
    line = ["screen", f"{data}/office_park.tif", "--parcels", f"{data}/parcels.gpkg", "--id-column", "parcel_id"]
    line += ["--fleet", f"{data}/fleet.toml", "--water", f"{data}/water.gpkg", "--z-rmse", "0.05", "--landforms"]
    assert main([*line, "--workers", "1", "--quiet", "--out", str(out)]) == 0
    return out


def test_shapefiles_hold_the_layers_and_nothing_is_lost(package: Path, tmp_path: Path) -> None:
    files = sk.export(package, tmp_path / "shapes")
    assert all(file.is_file() for file in files) and files[-1].name == "notes.txt"
    notes = files[-1].read_text(encoding="utf-8")
    run_notes = gpd.read_file(package, layer="run_notes")
    said = run_notes[run_notes.topic.isin(["cautions", "not assessed"])].value
    assert len(said) > 5 and all(sentence in notes for sentence in said)
    shapes = [file for file in files if file.suffix == ".shp"]
    assert {"zones", "parcels", "paths", "basins"} <= {file.stem for file in shapes}
    cut = 0
    for file in shapes:
        ours, theirs = gpd.read_file(package, layer=file.stem), gpd.read_file(file)
        names = short_names([name for name in ours.columns if name != "geometry"])
        assert list(theirs.columns) == [*names.values(), "geometry"]
        assert theirs.crs == ours.crs and theirs.geometry.geom_equals(ours.geometry, align=False).all()
        for name, short in names.items():
            if ours[name].dtype.kind in "fib":
                assert theirs[short].to_numpy(float) == pytest.approx(ours[name].to_numpy(float), nan_ok=True)
                continue
            for whole, found in zip(ours[name], theirs[short], strict=True):
                # An empty text is none there.
                if whole and isinstance(whole, str) and found != whole:
                    kept = found.removesuffix(" ... (more in notes.txt)")
                    assert kept != found and whole.startswith(kept) and kept[-1] in ".;," and whole in notes
                    cut += 1
    assert cut > 5


def test_the_style_finds_its_columns(package: Path, tmp_path: Path) -> None:
    for file in sk.export(package, tmp_path):
        if file.suffix != ".qml":
            continue
        there = set(gpd.read_file(file.with_suffix(".shp"), rows=1).columns)
        root = ET.fromstring(file.read_text(encoding="utf-8"))
        asked = [text for rule in root.iter("rule") for text in re.findall(r'"(\w+)"', rule.get("filter", ""))]
        for one in root.iter("text-style"):
            asked += re.findall(r'"(\w+)"', one.get("fieldName", ""))
        for one in root.iter("Option"):
            asked += re.findall(r'"(\w+)"', one.get("value", "")) if one.get("name") == "expression" else []
        asked += re.findall(r'"(\w+)"', (root.findtext("mapTip") or "") + (root.findtext("previewExpression") or ""))
        asked += [one.get("field", "") for one in root.iter("alias")]
        asked += [one.get("name", "") for one in root.iter("column")]
        assert asked and set(asked) <= there, file.name


@pytest.mark.parametrize("layer", LAYERS)
def test_short_names_differ_and_fit(layer: str) -> None:
    # dBASE III, the table of a shapefile (ESRI Shapefile Technical Description, 1998): 10 characters, any case.
    names = [field.name for field in fields_of(layer, ["dry", "damp", "d"])]
    short = short_names(names)
    assert len({one.lower() for one in short.values()}) == len(names)
    assert all(len(one) <= 10 and one.isidentifier() for one in short.values())
    assert all(short[name] == name for name in names if len(name) <= 10)


def test_texts_end_with_a_whole_sentence() -> None:
    more = " ... (more in notes.txt)"
    first = "Ä" * 80 + "."
    assert cut_text(f"{first} {'b' * 200}.") == first + more
    assert cut_text(first) == first
    assert cut_text(",".join(["machine"] * 50)) == ",".join(["machine"] * 28) + more
    assert cut_text("b" * 300) == more.strip()
    assert all(len(cut_text("ä. " * n).encode()) <= 254 for n in range(60, 100))


def test_files_of_others_stay(package: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "zones.dbf").write_bytes(b"mine")
    with pytest.raises(InputError, match=r"zones\.dbf"):
        sk.export(package, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["zones.dbf"]
    assert main(["export", str(package), "--out", str(tmp_path / "a"), "--parcel", "nobody"]) == 2
    assert "no parcel 'nobody'" in capsys.readouterr().err
    assert main(["export", str(package), "--out", str(tmp_path / "a"), "--parcel", "terrace", "--quiet"]) == 0
    assert set(gpd.read_file(tmp_path / "a" / "zones.shp").parcel_id) == {"terrace"}
