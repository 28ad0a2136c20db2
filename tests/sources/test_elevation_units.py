"""What a survey says of itself: units, working cell, vertical step, kind of surface, error."""

import math
from dataclasses import replace

import numpy as np
import pytest
from rasterio.transform import Affine

from slopekit.errors import InputError
from slopekit.sources.elevation import open_elevation
from slopekit.sources.mosaic import mosaic_of, read_header

FOOT_GRID = Affine(3, 0, 1_000_000, 0, -3, 200_000)
US_FOOT = 1200 / 3937  # NIST SP 811, appendix B
NEW_YORK_FT = "EPSG:2263"  # EPSG registry: horizontal unit US survey foot
MICHIGAN_FT = "EPSG:2253"  # EPSG registry: Michigan Central (ft), international foot


def survey(path, **options):
    with open_elevation([path], **options) as elevation:
        return elevation.survey


def test_horizontal_feet_of_both_kinds(write, ground):
    z = ground(20, 20)
    us = survey(write("us.tif", z, FOOT_GRID, NEW_YORK_FT), z_unit="ft")
    other = survey(write("int.tif", z, Affine(3, 0, 6_000_000, 0, -3, 700_000), MICHIGAN_FT), z_unit="ft")
    assert us.grid.metres_per_unit == pytest.approx(US_FOOT, rel=1e-12) and us.grid.dx == pytest.approx(3 * US_FOOT)
    assert other.grid.metres_per_unit == 0.3048
    assert us.z_unit == "foot" and not us.warped


@pytest.mark.parametrize(
    ("crs", "tag", "option", "unit", "source", "factor"),
    [
        ("EPSG:32617", None, None, "metre", "assumed", 1.0),
        ("EPSG:32617", "US survey foot", None, "us-survey-foot", "band", US_FOOT),
        ("EPSG:32617", "ft", None, "foot", "band", 0.3048),
        ("EPSG:2263+6360", None, None, "us-survey-foot", "crs", US_FOOT),
        ("EPSG:32617+5703", None, None, "metre", "crs", 1.0),
        ("EPSG:2263+6360", None, "foot", "foot", "option", 0.3048),
        ("EPSG:2263", "metre", None, "metre", "band", 1.0),
        ("EPSG:2263", None, "us-survey-foot", "us-survey-foot", "option", US_FOOT),
    ],
)
def test_vertical_unit_order(write, ground, crs, tag, option, unit, source, factor):
    z = ground(20, 20)
    affine = FOOT_GRID if "2263" in crs else None
    with open_elevation([write("a.tif", z, affine, crs, unit=tag)], z_unit=option) as elevation:
        found = elevation.survey
        assert (found.z_unit, found.z_unit_from) == (unit, source)
        np.testing.assert_allclose(elevation.read(found.grid.bounds).z, z.astype(float) * factor, rtol=1e-14)
    assert ("assumed to be the metre" in " ".join(found.notes)) == (source == "assumed")


def test_units_that_disagree_are_told(write, ground):
    found = survey(write("a.tif", ground(20, 20), FOOT_GRID, "EPSG:2263+6360"), z_unit="metre")
    assert any("read in metre as the option says, though the CRS says us-survey-foot" in n for n in found.notes)


@pytest.mark.parametrize(
    ("crs", "tag", "option", "words"),
    [
        (NEW_YORK_FT, None, None, "0.30480061 m and nothing tells the unit of the heights, so name --z-unit"),
        ("EPSG:32617", "furlong", None, "'furlong', which is not known, so name --z-unit"),
        ("EPSG:32617", None, "yard", "'yard' is not known, so give --z-unit"),
    ],
)
def test_unit_that_is_not_known_is_an_error(write, ground, crs, tag, option, words):
    path = write("a.tif", ground(20, 20), FOOT_GRID if crs == NEW_YORK_FT else None, crs, unit=tag)
    with pytest.raises(InputError, match=words):
        open_elevation([path], z_unit=option)


@pytest.mark.parametrize(
    ("cell", "block", "words"), [(0.5, 2, ""), (1, 1, ""), (2, 1, ""), (3, 1, ""), (4, 1, "coarser than 3 m")]
)
def test_working_cell(write, ground, cell, block, words):
    found = survey(write("a.tif", ground(20, 20), Affine(cell, 0, 500_000, 0, -cell, 4_000_000)))
    assert found.block == block
    assert (words in " ".join(found.notes)) and (bool(words) == ("coarser" in " ".join(found.notes)))


def test_cells_over_five_metres_are_refused_unless_prescreen(write, ground):
    path = write("a.tif", ground(20, 20), Affine(6, 0, 500_000, 0, -6, 4_000_000))
    with pytest.raises(InputError, match=r"a\.tif: the cells are 6 m .* --prescreen\.$"):
        open_elevation([path])
    assert any("Coarse pre-screen only" in n for n in survey(path, prescreen=True).notes)
    fine = write("b.tif", ground(20, 20))
    with pytest.raises(InputError, match="the cells are 8 m"):
        open_elevation([fine], cell_m=8)
    for bad in (0, -1, math.nan):
        with pytest.raises(InputError, match="give --cell in metres"):
            open_elevation([fine], cell_m=bad)


@pytest.mark.parametrize("step", [10, 1, 0.5, 0.3048, 0.25, 0.1, 0.05, 0.02])
def test_vertical_step_is_found(write, ground, step):
    z = (np.round(ground(200, 200).astype(float) * (40 if step > 1 else 1) / step) * step).astype("float32")
    assert survey(write("a.tif", z)).z_step_m == pytest.approx(step, rel=1e-4)
    shifted = z + np.float32(0.0137)
    assert survey(write("b.tif", shifted)).z_step_m == pytest.approx(step, rel=1e-3), "a datum shift keeps the step"


@pytest.mark.parametrize("step", [0.01, 0.001, 1e-5])
def test_step_of_a_centimetre_or_less_is_none(write, ground, step):
    z = (np.round(ground(200, 200).astype(float) / step) * step).astype("float32")
    assert survey(write("a.tif", z)).z_step_m is None


def test_few_values_prove_no_step_but_whole_numbers_do(write, ground):
    level = np.full((50, 50), 3.0, "float32")
    level[:25] = 4.0
    assert survey(write("a.tif", level)).z_step_m is None
    assert survey(write("b.tif", level.astype("int16"))).z_step_m == 1.0
    millimetres = (ground(100, 100) * 1000).astype("int32")
    assert survey(write("c.tif", millimetres, scales=(0.001,), offsets=(0.0,))).z_step_m is None
    assert survey(write("d.tif", level.astype("int16")), z_unit="foot").z_step_m == pytest.approx(0.3048)


def test_one_stepped_part_does_not_make_a_stepped_survey(write, ground):
    z = np.round(ground(300, 300), 1)
    z[:, 150:] = ground(300, 150)
    assert survey(write("a.tif", z)).z_step_m is None


@pytest.mark.parametrize(
    ("name", "tags", "description"),
    [
        ("area_dsm_1m.tif", {}, None),
        ("a.tif", {"TIFFTAG_IMAGEDESCRIPTION": "Digital Surface Model 2021"}, None),
        ("a.tif", {}, "DSM first return"),
    ],
)
def test_surface_model_must_be_named(write, ground, name, tags, description):
    path = write(name, ground(20, 20), tags=tags, description=description)
    with pytest.raises(InputError, match=r"calls itself a surface model .* --surface top or ground"):
        open_elevation([path])
    assert survey(path, surface="top").surface == "top"
    told = survey(path, surface="ground")
    assert told.surface == "ground" and any("though the file says" in n for n in told.notes)


def test_ground_is_told_or_assumed(write, ground):
    assert not any("bare ground" in n for n in survey(write("dtm_1m.tif", ground(20, 20))).notes)
    # Letters inside another word say nothing.
    assert any("bare ground was assumed" in n for n in survey(write("windsmith.tif", ground(20, 20))).notes)
    with pytest.raises(InputError, match="surface 'roof' is not known"):
        open_elevation([write("a.tif", ground(20, 20))], surface="roof")


def test_vertical_error_from_option_and_tag(write, ground):
    z = ground(20, 20)
    tagged = write(
        "a.tif", z, tags={"VERTICAL_RMSE": "0.2 ft", "RMSE_Z": "0.09", "HORIZONTAL_RMSE": "3", "RMSE_XY": "4"}
    )
    assert survey(tagged).rmse_m == pytest.approx(0.09)
    assert survey(tagged, z_rmse_m=0.3).rmse_m == 0.3
    assert survey(write("b.tif", z)).rmse_m is None
    odd = survey(write("c.tif", z, tags={"VERTICAL_RMSE": "good"}))
    assert odd.rmse_m is None and any("gives no length" in n for n in odd.notes)
    for bad in (-0.1, math.nan, math.inf):
        with pytest.raises(InputError, match="give --z-rmse in metres"):
            open_elevation([tagged], z_rmse_m=bad)


def test_more_bands_are_told(write, ground):
    z = np.stack([ground(20, 20, 1), ground(20, 20, 2)])
    with open_elevation([write("a.tif", z)]) as elevation:
        np.testing.assert_array_equal(elevation.read(elevation.survey.grid.bounds).z, z[0])
        assert any("more than one band" in n for n in elevation.survey.notes)


def test_tiles_whose_heights_differ_in_unit_are_not_joined(write, ground) -> None:
    """Read in the unit of the first, the second would be three times as steep, or a third."""
    first = write("a.tif", ground(20, 20), FOOT_GRID, "EPSG:2263+6360")
    second = write("b.tif", ground(20, 20), Affine(3, 0, 1_000_060, 0, -3, 200_000), "EPSG:2263+5703")
    with pytest.raises(InputError, match="heights in different units"):
        open_elevation([first, second])
    # Formats that tag no unit say it in the CRS alone.
    headers = [replace(header, unit="") for header in map(read_header, (str(first), str(second)))]
    with pytest.raises(InputError, match="heights in metre and heights in US survey foot"):
        mosaic_of(headers)
