"""The presets: every fact has its source, and nothing is fetched to list them."""

import re

import pyproj
import pytest
from tile_site import Site

import slopekit as sk
from slopekit.cli import main
from slopekit.sources.presets import presets


@pytest.mark.parametrize("name", sorted(presets()))
def test_every_preset_names_what_is_printed_and_where_it_is_from(name: str) -> None:
    one = presets()[name]
    assert re.fullmatch(r"[a-z0-9-]+", name)
    assert one.title and one.country and one.crs and one.datum and one.licence and one.credit
    assert one.unit in ("metre", "foot", "us-survey-foot") and one.cell_m > 0.0
    assert {"index", "tiles", "licence"} <= set(one.facts) and all(one.facts.values())
    assert one.index.startswith("https://") or (not one.index and one.by_hand)
    if one.crs.startswith("EPSG:"):
        # The EPSG registry, by PROJ: projected, metres.
        crs = pyproj.CRS.from_user_input(one.crs)
        assert crs.is_projected and crs.axis_info[0].unit_name == "metre"


def test_sources_are_listed_with_credit_and_licence(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["tiles", "sources", "--help"]) == 0
    capsys.readouterr()
    assert main(["tiles", "sources"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    for name, one in presets().items():
        assert name in told and one.credit in told and one.licence in told
    assert site.server.asked() == []


def test_a_survey_without_an_index_says_how_to_get_it(site: Site) -> None:
    for name, one in presets().items():
        if not one.index:
            with pytest.raises(sk.InputError, match=re.escape(one.by_hand)):
                sk.find_tiles(name, site.parcels)
