"""The file of a page: what it holds, how large it is, and what is refused."""

import base64
import hashlib
import html
import importlib
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from page_names import NAMES
from page_reader import data_in, texts_in, unpacked

import slopekit
from slopekit.outputs.page import districts, document
from slopekit.outputs.page.packed import packed, packed_shares, packed_signed
from slopekit.outputs.page.shapes import frame_of, polygons
from slopekit.outputs.page.texts import shared_texts
from slopekit.outputs.page.units import SYSTEMS


@given(st.lists(st.integers(0, 2**53)))
def test_numbers_come_back(values: list[int]) -> None:
    assert unpacked(packed(np.array(values, np.int64))) == values


@given(st.lists(st.integers(-(2**40), 2**40)))
def test_numbers_of_both_signs_come_back(values: list[int]) -> None:
    back = [-(v + 1) // 2 if v % 2 else v // 2 for v in unpacked(packed_signed(np.array(values, np.int64)))]
    assert back == values


def test_a_share_is_never_nothing_nor_all_before_it_is() -> None:
    assert unpacked(packed_shares(np.array([np.nan, 0.0, 1e-9, 0.5, 1.0 - 1e-9, 1.0]))) == [0, 1, 2, 501, 1000, 1001]
    with pytest.raises(ValueError, match="below 0"):
        packed(np.array([-1]))


@given(st.lists(st.none() | st.text(alphabet="Ab .1,29\ue000")))
def test_texts_come_back(texts: list[str | None]) -> None:
    told: Any = shared_texts(texts)
    assert texts_in(told) == [text or "" for text in texts]


def test_figures_are_kept_apart_so_that_sentences_are_shared() -> None:
    told: Any = shared_texts([f"Steepest ground {n} degrees. It is {n}.5 m on." for n in range(50)])
    assert len(told["patterns"]) == 2


def test_shapes_come_back_within_half_a_step(demo: slopekit.Result) -> None:
    frame = frame_of(demo.layers["parcels"])
    told = polygons(demo.zones.geometry.to_numpy(), frame)
    steps = np.array(unpacked(told["steps"]))
    steps = np.where(steps % 2, -(steps + 1) // 2, steps // 2).reshape(-1, 2)
    places = np.cumsum(steps, axis=0) * 0.1 + [frame.west, frame.south]
    ends = np.cumsum(unpacked(told["points"]))
    rings = [shapely.LinearRing(part) for part in np.split(places, ends[:-1])]
    first = np.cumsum([0, *unpacked(told["rings"])])
    for n, zone in enumerate(demo.zones.geometry):
        own = shapely.union_all([shapely.LineString(r.coords) for r in rings[first[n] : first[n + 1]]])
        assert shapely.hausdorff_distance(own, zone.boundary) <= 0.05 * 2**0.5 + 1e-6


def test_the_policy_names_every_script_and_style_and_nothing_else(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    policy = html.unescape(re.findall(r'Content-Security-Policy" content="(.*?)"', text)[0])
    allowed = dict(one.strip().partition(" ")[::2] for one in policy.split(";"))
    assert allowed.pop("default-src") == "'none'"
    assert allowed["base-uri"] == allowed["form-action"] == "'none'"
    assert allowed["img-src"] == "data:" and len(allowed) == 5
    for tag in ("script", "style"):
        bodies = re.findall(rf"<{tag}>(.*?)</{tag}>", text, re.DOTALL)
        # W3C CSP 3, hash source: base64 of the SHA-256 of the text between the tags.
        hashes = [base64.b64encode(hashlib.sha256(one.encode()).digest()).decode() for one in bodies]
        assert allowed[f"{tag}-src"].split() == [f"'sha256-{one}'" for one in hashes]
        assert len(hashes) == 2
    assert text.index("Content-Security-Policy") < text.index("<style>")


def test_leaflet_comes_with_its_licence(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert "(c) 2010-2022" in text and "BSD 2-Clause License" in text and "THIS SOFTWARE IS PROVIDED" in text
    # Word for word what stands in the file LICENSE of Leaflet's repository, from "All rights reserved." on (SHA-256 of
    # its words with one space between).
    shown = html.unescape(text)
    words = shown[shown.index("All rights reserved.") : shown.index("SUCH DAMAGE.")].split() + ["SUCH", "DAMAGE."]
    published = "a71853b58475aef8cda9ce5dc64809c0adf8a006710b7b088427ace6a6d6964b"
    assert hashlib.sha256(" ".join(words).encode()).hexdigest() == published
    assert "sourceMappingURL" not in text
    assert "url(" not in "".join(re.findall(r"<style>(.*?)</style>", text, re.DOTALL))


def test_data_cannot_end_their_script(odd: slopekit.Result, tmp_path: Path) -> None:
    file = odd.page(tmp_path / "page.html", title="<script>alert(3)</script>")[0]
    text = file.read_text(encoding="utf-8")
    data = re.findall(r'id="data">(.*?)</script>', text)[0]
    assert "<" not in data
    assert sorted(data_in(file)["parcels"]["id"]) == sorted(NAMES.values())
    assert "<script>alert(3)" not in text and "&lt;script&gt;alert(3)" in text
    assert text.count("<script") == 3


def test_areas_are_those_of_the_layers(demo: slopekit.Result, page: Path) -> None:
    data, parcels = data_in(page), demo.layers["parcels"].sort_values("parcel_id")
    for one, told in zip(data["classes"], data["parcels"]["by_class"], strict=True):
        name = one["code"].replace("-", "_").replace(" ", "_") + "_m2"
        areas = [(v - 1) * 0.01 for v in unpacked(told)]
        assert areas == pytest.approx(parcels[name].tolist(), abs=0.005)
    assert data["machines"][0] == {"id": "ride_on", "label": "Invented ride-on mower, wide deck", "class": "ride-on"}
    assert len(data["zones"]["name"]) == len(demo.zones)


def test_factors_are_the_published_ones() -> None:
    # NIST Handbook 44 (2024), appendix C: 1 acre = 4046.856 422 4 m2, 1 ft = 0.3048 m, 1 mi = 1.609 344 km, 1 sq ft =
    # 0.092 903 04 m2.
    us = SYSTEMS["us"]
    assert 1.0 / us["large_area"][1] == pytest.approx(4046.8564224, rel=1e-12)
    assert 1.0 / us["length"][1] == pytest.approx(0.3048, rel=1e-12)
    assert 1.0 / us["speed"][1] == pytest.approx(1.609344, rel=1e-12)
    assert 1.0 / us["small_area"][1] == pytest.approx(0.09290304, rel=1e-12)


def test_the_same_result_gives_the_same_bytes_from_memory_and_from_the_disk(
    demo: slopekit.Result, tmp_path: Path
) -> None:
    for ending in ("gpkg", "parquet"):
        demo.write(tmp_path / f"zones.{ending}")
        read = slopekit.page(tmp_path / f"zones.{ending}", tmp_path / f"{ending}.html", title="T")[0]
        held = demo.page(tmp_path / "held.html", title="T")[0]
        assert read.read_bytes() == held.read_bytes()


def test_a_large_result_is_cut_into_districts(
    odd: slopekit.Result, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(districts, "MOST_PARCELS", 1)
    odd.write(tmp_path / "zones.gpkg")
    made = slopekit.page(tmp_path / "zones.gpkg", tmp_path / "page.html", title="T")
    assert [one.name for one in made] == [*(f"page_{n:03d}.html" for n in range(1, 5)), "page.html"]
    index, parts = data_in(made[-1]), [data_in(one) for one in made[:-1]]
    assert sorted(index["parcels"]["id"]) == sorted(NAMES.values())
    where = dict(zip(index["parcels"]["id"], unpacked(index["parcels"]["page"]), strict=True))
    assert [where[one] for part in parts for one in part["parcels"]["id"]] == [0, 1, 2, 3]
    assert index["pages"] == [one.name for one in made[:-1]]
    assert sum(len(part["zones"]["name"]) for part in parts) == len(odd.zones)
    # Fewer districts take the pages of earlier ones away, and no others.
    (tmp_path / "page_999.html").write_text("not slopekit's")
    monkeypatch.undo()
    assert [one.name for one in slopekit.page(tmp_path / "zones.gpkg", tmp_path / "page.html")] == ["page.html"]
    assert sorted(one.name for one in tmp_path.glob("*.html")) == ["page.html", "page_999.html"]


def test_districts_hold_every_parcel_once_and_few_enough() -> None:
    rng = np.random.default_rng(5)
    places, zones = rng.uniform(0, 1000, (9000, 2)), rng.integers(1, 40, 9000)
    found = districts.districts_of(places, zones)
    assert sorted(np.concatenate(found).tolist()) == list(range(9000))
    assert all(len(one) <= districts.MOST_PARCELS and zones[one].sum() <= districts.MOST_ZONES for one in found)
    # All at one place, and one that is too large by itself.
    assert len(districts.districts_of(np.zeros((5000, 2)), np.ones(5000, np.int64))) == 4
    assert len(districts.districts_of(np.zeros((2, 2)), np.array([50_000, 1]))) == 2


def refused(*args: Any, **kwargs: Any) -> str:
    with pytest.raises(slopekit.InputError) as caught:
        slopekit.page(*args, **kwargs)
    return str(caught.value)


def test_hours_are_those_of_the_bid_and_of_no_other_zones(demo: slopekit.Result, tmp_path: Path) -> None:
    demo.write(tmp_path / "zones.gpkg")
    fleet = slopekit.demo_data() / "fleet.toml"
    bid = slopekit.hours(tmp_path / "zones.gpkg", fleet)
    bid.write(tmp_path / "bid.json")
    data = data_in(slopekit.page(tmp_path / "zones.gpkg", tmp_path / "page.html", hours=tmp_path / "bid.json")[0])
    totals = bid.layers["totals"]
    own = totals[totals["by"] == "parcel"].set_index("name")["hours"]
    told = dict(zip(data["parcels"]["id"], unpacked(data["parcels"]["hours"][0]), strict=True))
    assert {one: (v - 1) * 0.01 for one, v in told.items() if v} == pytest.approx(own.to_dict(), abs=0.005)
    assert len(data["hours"]) == (totals["by"] == "class").sum()
    few = {name: table.iloc[:0] if name == "refusals" else table for name, table in demo.layers.items()}
    from slopekit.outputs.package import write_result

    write_result(tmp_path / "other.gpkg", few, demo.fleet.conditions)
    told_ = refused(tmp_path / "other.gpkg", tmp_path / "a.html", hours=tmp_path / "bid.json")
    assert "hours are of other zones" in told_ and "slopekit hours" in told_


def test_bad_input_has_one_sentence(demo: slopekit.Result, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = tmp_path / "page.html"
    assert "give metric or us" in refused(demo, out, units="furlong")
    assert "page.pdf: pages are written as .html" in refused(demo, tmp_path / "page.pdf")
    (tmp_path / "text.json").write_text("no json")
    assert "this is no JSON" in refused(demo, out, hours=tmp_path / "text.json")
    (tmp_path / "list.json").write_text("[]")
    assert "this is no bid" in refused(demo, out, hours=tmp_path / "list.json")
    assert "cannot be read" in refused(demo, out, hours=tmp_path / "gone.json")
    assert "there is no such file" in refused(tmp_path, out)
    out.write_text("not slopekit's")
    assert refused(demo, out).endswith("with overwrite=True.")
    assert out.read_text() == "not slopekit's"
    monkeypatch.setattr(importlib.resources, "files", _without_leaflet(importlib.resources.files))
    assert "pip install 'slopekit[page]'" in refused(demo, tmp_path / "b.html")
    assert not (tmp_path / "b.html").exists()


def _without_leaflet(real: Any) -> Any:
    def files(name: str) -> Any:
        if name.startswith("xstatic"):
            raise ModuleNotFoundError(name)
        return real(name)

    return files


def test_an_older_result_is_told_to_be_made_again(demo: slopekit.Result, tmp_path: Path) -> None:
    demo.write(tmp_path / "zones.parquet")
    (tmp_path / "zones.refusals.parquet").unlink()
    assert "does not hold the table 'refusals'" in refused(tmp_path / "zones.parquet", tmp_path / "page.html")


def test_a_result_without_parcels_or_hazards_has_a_page(demo: slopekit.Result, tmp_path: Path) -> None:
    from dataclasses import replace

    none = replace(demo, layers={n: t if n == "run_notes" else t.iloc[:0] for n, t in demo.layers.items()})
    assert data_in(none.page(tmp_path / "none.html")[0])["parcels"] is None
    bare = {
        n: t.iloc[:0] if n in ("water", "drops", "paths", "profiles", "refusals") else t for n, t in demo.layers.items()
    }
    data = data_in(replace(demo, layers=bare).page(tmp_path / "bare.html")[0])
    assert data["paths"]["zone"] == "" and len(data["zones"]["name"]) == len(demo.zones)


def test_a_script_that_would_end_itself_is_a_fault(monkeypatch: pytest.MonkeyPatch, page: Path) -> None:
    monkeypatch.setattr(document, "_SCRIPTS", ("page.html",))
    with pytest.raises(ValueError, match="markup"):
        document.document(data_in(page))


def test_the_shares_of_the_page_are_those_of_the_table(demo: slopekit.Result, page: Path) -> None:
    data = data_in(page)
    refusals, kinds = data["refusals"], len(data["reasons"])
    zones = demo.zones.sort_values("parcel_id", kind="stable").zone_id.tolist()
    shares = np.array(unpacked(refusals["shares"])).reshape(-1, len(data["conditions"])) - 1
    rows = []
    from slopekit.schema.reasons import REASON_CODES

    at = 0
    what = unpacked(refusals["what"])
    for zone, count in zip(zones, unpacked(refusals["counts"]), strict=True):
        for n in range(at, at + count):
            for condition, share in zip(data["conditions"], shares[n], strict=True):
                if share:
                    machine = data["machines"][what[n] // kinds]["id"]
                    rows.append((zone, machine, condition, REASON_CODES[what[n] % kinds], share / 1000))
        at += count
    told = pd.DataFrame(rows, columns=["zone_id", "machine", "condition", "reason", "share"])
    keys = ["zone_id", "machine", "condition", "reason"]
    both = told.merge(demo.layers["refusals"], on=keys, how="outer", suffixes=("", "_due"))
    assert len(both) == len(told) == len(demo.layers["refusals"])
    assert (both["share"] - both["share_due"]).abs().max() <= 0.001
