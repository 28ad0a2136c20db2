"""The page in a real Chromium with the network cut: what it asks for, says and shows."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import shapely
from page_browser import CHROMIUM, DESK, NEEDED, PHONE, Opened, opened
from page_names import NAMES

import slopekit
from slopekit.outputs.page import districts
from slopekit.outputs.page.shapes import frame_of
from slopekit.schema.classes import CLASSES
from slopekit.schema.reasons import REASONS

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason=NEEDED)


@pytest.fixture
def desk(page: Path) -> Iterator[Opened]:
    with opened(page) as found:
        yield found
        assert found.requests == [page.as_uri()]
        assert found.complaints == []


def area(m2: float) -> str:
    """As a person would write it, by the page's own rule: hectares from one on."""
    return f"{m2 / 1e4:,.2f} ha" if m2 >= 1e4 else f"{m2:,.0f} m2" if m2 >= 1 or m2 == 0 else "under 1 m2"


def test_it_opens_from_the_disk_and_asks_for_nothing(desk: Opened) -> None:
    # Every class and the water is on the map in its colour.
    found = desk.page.evaluate(
        """() => { const c = document.querySelector('#map canvas');
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data, out = new Set();
        for (let n = 0; n < d.length; n += 4) out.add('#' + [d[n], d[n + 1], d[n + 2]].map(
          (v) => v.toString(16).padStart(2, '0')).join(''));
        return [...out]; }"""
    )
    assert {c.colour for c in CLASSES} <= set(found)
    assert "#5aa0b8" in found


def test_nothing_may_leave_it_even_if_a_script_tried(page: Path) -> None:
    with opened(page) as found:
        blocked = found.page.evaluate(
            """async () => { const out = [];
            document.addEventListener('securitypolicyviolation', (e) => out.push(e.effectiveDirective));
            try { await fetch('http://127.0.0.1:9/x'); } catch {}
            const add = (tag, more) => document.body.append(Object.assign(document.createElement(tag), more));
            add('img', { src: 'http://127.0.0.1:9/a.png' });
            add('script', { textContent: 'window.ran = 1' });
            add('iframe', { src: 'http://127.0.0.1:9/' });
            await new Promise((r) => setTimeout(r, 300));
            return [out.sort(), window.ran]; }"""
        )
        assert blocked[0] == ["connect-src", "frame-src", "img-src", "script-src-elem"]
        assert blocked[1] is None
        # What the policy stops never leaves the browser.
        assert {*found.requests} - {page.as_uri()} == found.stopped


def test_totals_are_the_sums_of_the_layer(desk: Opened, demo: slopekit.Result) -> None:
    parcels = demo.layers["parcels"]
    sums = [parcels[one.code.replace("-", "_").replace(" ", "_") + "_m2"].sum() for one in CLASSES]
    told = [text.partition(", ")[0] if "ha" in text else text.rpartition(", ")[0] for text in desk.texts("#keys .sum")]
    assert told == [area(one) for one in sums]
    assert desk.texts("#found") == [f"4 of 4 parcels, {area(sum(sums))}"]
    hours = demo.hours().summary
    assert len(desk.texts("#hours tr")) == len(hours)
    assert f"{hours['hours'].max():,.1f} h" in " ".join(desk.texts("#hours td"))


def test_the_list_is_searched_sorted_and_filtered(desk: Opened, demo: slopekit.Result) -> None:
    parcels, zones = demo.layers["parcels"].set_index("parcel_id"), demo.zones
    page = desk.page
    assert desk.rows() == ["basin", "level-lawns", "pond-lawns", "terrace"]
    page.fill("#seek", "LAWN")
    assert desk.rows() == ["level-lawns", "pond-lawns"]
    both = parcels.loc[["level-lawns", "pond-lawns"]]
    assert desk.texts("#keys .sum")[0].startswith(area(both.ride_on_m2.sum()))
    page.fill("#seek", "")
    page.get_by_role("button", name="Area", exact=True).click()
    assert desk.rows() == parcels.sort_values("plan_m2", ascending=False).index.tolist()
    assert page.locator("#parcels thead th").nth(1).get_attribute("aria-sort") == "descending"
    page.get_by_role("button", name="Area", exact=True).click()
    assert desk.rows() == parcels.sort_values("plan_m2").index.tolist()
    share = parcels.hand_crew_m2 / (parcels.plan_m2 - parcels.excluded_m2)
    page.select_option("#order", label="most hand crew")
    assert desk.rows() == share.sort_values(ascending=False).index.tolist()
    page.fill("#hand", "1")
    assert set(desk.rows()) == set(share[share >= 0.01].index) and 0 < len(desk.rows()) < 4
    page.get_by_role("button", name="Show all").click()
    assert len(desk.rows()) == 4
    for box, name in (("stand-on", "stand_on_m2"), ("none", "none_m2")):
        label = next(c.label for c in CLASSES if c.code == box)
        page.locator("#keys").get_by_label(label).check()
        assert set(desk.rows()) == set(parcels.index[parcels[name] > 0])
        page.locator("#keys").get_by_label(label).uncheck()
    for word, hazard in (("water", "water"), ("a drop", "drop"), ("a road or other", "hazard")):
        page.locator("#dangers").get_by_label(word).check()
        assert set(desk.rows()) == set(zones.parcel_id[zones.hazard == hazard])
        page.locator("#dangers").get_by_label(word).uncheck()
    page.locator("#dangers").get_by_label("not known").check()
    unknown = {*zones.parcel_id[zones.hazard == "unknown"], *parcels.index[parcels.unknown_m2 > 0]}
    assert set(desk.rows()) == unknown


def test_a_click_on_the_map_and_the_cross_read_the_zone_that_lies_there(desk: Opened, demo: slopekit.Result) -> None:
    zones, frame = demo.zones, frame_of(demo.layers["parcels"])
    assert shapely.get_coordinates(demo.layers["parcels"].geometry).min(axis=0) == pytest.approx(
        [frame.west, frame.south]
    )
    box = desk.page.locator("#map").bounding_box()
    assert box is not None
    asked = 0
    for parcel, shape in zip(demo.layers["parcels"].parcel_id, demo.layers["parcels"].geometry, strict=True):
        west, south, east, north = shape.bounds
        centre = shapely.Point((west + east) / 2, (south + north) / 2)
        here = zones[zones.contains(centre) & (zones.boundary.distance(centre) > 0.5)]
        if here.empty:
            continue
        asked += 1
        desk.choose(parcel)
        name = f"Zone {here.zone_id.iloc[0].rpartition('-')[2]} of {parcel}"
        desk.page.locator("#map").focus()
        desk.page.keyboard.press("Enter")
        assert desk.texts("#reading-head") == [name]
        desk.page.keyboard.press("Escape")
        desk.choose(parcel)
        box = desk.page.locator("#map").bounding_box()
        assert box is not None
        desk.page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        assert desk.texts("#reading-head") == [name]
        desk.page.keyboard.press("Escape")
        assert desk.texts("#reading-head") == []
    assert asked >= 2


def test_a_zone_says_why_each_machine_is_refused(desk: Opened, demo: slopekit.Result) -> None:
    refusals, machines = demo.layers["refusals"], demo.fleet.machines
    order = list(demo.fleet.conditions)
    for zone in ("pond-lawns-z2", "terrace-z4", "basin-z6"):
        parcel, _, name = zone.rpartition("-")
        desk.choose(parcel, name)
        own = refusals[refusals.zone_id == zone]
        due = []
        for machine in dict.fromkeys(own.machine):
            here = own[own.machine == machine]
            open_ = [c not in set(here.condition) for c in order]
            label = machines[machine].label
            due.append([f"{label} ({machine})", *("not refused" if one else "refused" for one in open_)])
            for reason in (code for code in REASONS if code in set(here.reason)):
                shares = here[here.reason == reason].set_index("condition").share
                due.append([REASONS[reason].words, *(part(shares.get(c, 0.0)) for c in order)])
        told = [desk.texts(f".why tbody tr >> nth={n} >> th, td") for n in range(len(due))]
        assert told == due
        free = [m for m in machines if m not in set(own.machine)]
        said = desk.page.locator("#reading").inner_text()
        assert all(f"({m})" in said for m in free)
        note = demo.zones[demo.zones.zone_id == zone].note.iloc[0]
        assert " ".join(note.split()) in " ".join(said.split())


def part(share: float) -> str:
    if share == 0.0:
        return "–"
    return "under 1 %" if share < 0.01 else "over 99 %" if 0.99 < share < 1.0 else f"{round(1000 * share) / 10:.0f} %"


def numbers(path: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", path)]


def test_the_profile_is_that_of_the_table(desk: Opened, demo: slopekit.Result) -> None:
    profiles, paths = demo.layers["profiles"], demo.layers["paths"]
    zones = paths.zone_id.tolist()[:6]
    for zone in zones:
        desk.choose(zone.rpartition("-")[0], zone.rpartition("-")[2])
        own = profiles[profiles.zone_id == zone].sort_values("point")
        soil, line = (
            numbers(desk.page.locator(f".profile .{one}").get_attribute("d") or "") for one in ("soil", "line")
        )
        assert len(soil) == len(line) == len(own)
        per = (soil[-1][0] - soil[0][0]) / own.distance_m.iloc[-1]
        for (x, _), due in zip(soil, own.distance_m, strict=True):
            assert x - soil[0][0] == pytest.approx(due * per, abs=0.06 * per + 0.1)
        # One scale of heights for ground and line, which never lies below it.
        heights = own.height_m.to_numpy()
        span = heights.max() - heights.min()
        up = (max(y for _, y in soil) - min(y for _, y in soil)) / span if span > 0.5 else None
        for n, ((_, y), (_, above)) in enumerate(zip(soil, line, strict=True)):
            assert above <= y + 0.11
            if up:
                head = (own.line_m - own.height_m).iloc[n]
                assert y - above == pytest.approx(max(head, 0.0) * up, abs=0.02 * up + 0.2)
        words = desk.page.locator("figcaption").inner_text()
        arrival = paths[paths.zone_id == zone].arrival_kmh.iloc[0]
        assert f"arrives at {f'{arrival:.0f}' if arrival >= 1 else 'under 1'} km/h" in words


def test_it_is_worked_by_keys_alone(desk: Opened) -> None:
    page = desk.page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    page.locator("#seek").focus()
    page.keyboard.type("terr")
    assert desk.rows() == ["terrace"]
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "terrace":
            break
    page.keyboard.press("Enter")
    assert desk.texts("#reading-head") == ["Parcel terrace"]
    assert page.evaluate("document.activeElement.id") == "reading-head"
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert desk.texts("#reading-head")[0].startswith("Zone ")
    page.keyboard.press("Escape")
    assert desk.texts("#reading-head") == []
    assert page.evaluate("document.activeElement.textContent") == "terrace"
    # Arrows move the map.
    page.locator("#map").focus()
    before = page.locator("#map canvas").evaluate("c => c.toDataURL()")
    page.keyboard.press("ArrowRight")
    page.wait_for_timeout(600)
    assert page.locator("#map canvas").evaluate("c => c.toDataURL()") != before


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["390 px", "1440 px"])
def test_cautions_and_what_was_not_assessed_are_always_in_view(
    page: Path, demo: slopekit.Result, size: tuple[int, int]
) -> None:
    with opened(page, size) as found:
        for act in (None, ("pond-lawns", None), ("pond-lawns", "z2")):
            if act:
                found.choose(*act)
            box = found.page.locator("#care").bounding_box()
            assert box is not None
            assert box["y"] + box["height"] == pytest.approx(size[1], abs=1) and box["height"] > 90
            assert found.page.evaluate("document.elementFromPoint(20, innerHeight - 20).closest('#care') !== null")
            # Nothing is wider than the screen.
            assert found.page.evaluate("document.querySelector('main').scrollWidth <= innerWidth")
            assert found.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        said = " ".join(found.texts("#care"))
        notes = demo.notes
        for sentence in notes[notes.topic.isin(["cautions", "not assessed"])].value:
            assert sentence in said
        assert found.complaints == []


def test_it_prints_map_list_reading_and_cautions(page: Path, tmp_path: Path) -> None:
    with opened(page) as found:
        found.choose("pond-lawns", "z2")
        found.page.evaluate("window.told = []; addEventListener('beforeprint', () => told.push('before'))")
        found.page.emulate_media(media="print")
        file = tmp_path / "page.pdf"
        found.page.pdf(path=file, format="A4", print_background=True)
        assert found.page.evaluate("told") == ["before"]
        assert file.read_bytes().startswith(b"%PDF")
        shown = {
            name: found.page.locator(name).is_visible()
            for name in ("#print-map", "#map", "#sieve", "#parcels", "#reading", "#care", "#keys", "#licence")
        }
        assert [name for name, seen in shown.items() if not seen] == ["#map", "#sieve", "#licence"]
        # The printed map is drawn.
        assert found.page.locator("#print-map").evaluate("c => c.width") > 600
        assert found.page.evaluate("getComputedStyle(document.querySelector('#care')).overflow") == "visible"
        assert found.complaints == []


def test_ids_that_are_markup_stay_text(odd: slopekit.Result, tmp_path: Path) -> None:
    file = odd.page(tmp_path / "page.html", title="<b onclick=alert(4)>T</b>", hours=odd.hours())[0]
    with opened(file) as found:
        assert sorted(found.rows()) == sorted(NAMES.values())
        for name in NAMES.values():
            found.choose(name)
            assert found.page.locator("#reading-head").text_content() == f"Parcel {name}"
            found.page.locator(".zones button").first.click()
            head = found.page.locator("#reading-head").text_content() or ""
            assert head.startswith("Zone ") and head.endswith(f" of {name}")
            assert "<b>bold</b> \ue000 </script>" in (found.page.locator("#reading").text_content() or "")
        assert found.page.evaluate("document.querySelectorAll('img, iframe, b[onclick]').length") == 0
        assert found.page.title() == "<b onclick=alert(4)>T</b>"
        found.page.fill("#seek", "</SCRIPT")
        assert found.rows() == [NAMES["terrace"]]
        assert found.requests == [file.as_uri()]
        assert found.complaints == []


def test_an_index_leads_to_the_parcel_on_its_district(
    odd: slopekit.Result, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(districts, "MOST_PARCELS", 2)
    made = odd.page(tmp_path / "a page #1%.html")
    assert len(made) == 3
    for name in NAMES.values():
        with opened(made[-1]) as found:
            found.choose(name)
            found.page.locator("#reading a").click()
            found.page.wait_for_load_state()
            assert found.page.locator("#reading-head").text_content() == f"Parcel {name}"
            assert found.page.locator(".zones li").count() > 3
            found.page.get_by_role("link", name="All districts").click()
            found.page.wait_for_load_state()
            assert len(found.rows()) == 4
            assert found.complaints == []


def test_american_units(demo: slopekit.Result, tmp_path: Path) -> None:
    parcels, paths = demo.layers["parcels"], demo.layers["paths"]
    with opened(demo.page(tmp_path / "page.html", units="us")[0]) as found:
        # NIST Handbook 44, appendix C: an acre is 4046.856 m2, a mile 1.609 344 km.
        assert found.texts("#found") == [f"4 of 4 parcels, {parcels.plan_m2.sum() / 4046.8564224:,.2f} acres"]
        found.choose("pond-lawns", "z2")
        arrival = paths[paths.zone_id == "pond-lawns-z2"].arrival_kmh.iloc[0]
        assert f"arrives at {arrival / 1.609344:.0f} mph" in found.page.locator("figcaption").inner_text()
        note = found.page.locator("#reading h3:has-text('In words') + p").inner_text()
        assert " ft" in note and not re.search(r"\d (m|cm|m2|ha|km/h)\b", note)
        assert " ft" in found.texts(".leaflet-control-scale-line")[0]
        own = found.page.locator("#reading dl").inner_text()
        assert "acres" in own or "sq ft" in own


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["390 px", "1440 px"])
def test_axe_finds_no_fault(page: Path, size: tuple[int, int], scheme: str) -> None:
    # WCAG 2.1, levels A and AA, contrast among them, as axe-core counts.
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed"
    ).Axe()
    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}
    with opened(page, size, scheme) as found:
        for act in (None, ("pond-lawns", None), ("pond-lawns", "z2")):
            if act:
                found.choose(*act)
            answer = axe.run(found.page, options=rules).response
            faults = [(one["id"], [node["target"] for node in one["nodes"]]) for one in answer["violations"]]
            assert faults == []
            assert "color-contrast" in {one["id"] for one in answer["passes"]}
