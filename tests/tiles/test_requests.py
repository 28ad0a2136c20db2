"""How often GDAL itself asks for what is read without a cache, counted by a real server."""

from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.windows import Window
from tile_site import Site

import slopekit as sk
from slopekit.sources.mosaic import GDAL_OPTIONS, gdal_options, read_header

WINDOWS = [Window(40 * k, 35 * k, 150, 150) for k in range(10)]


def requests(site: Site, options: dict[str, str | int], name: str) -> tuple[int, list[np.ndarray]]:
    site.server.rules()
    with rasterio.Env(**options), rasterio.open(f"{site.server.address}/{name}") as file:
        read = [file.read(1, window=w) for w in WINDOWS]
    return len(site.server.asked()), read


def test_settings_for_addresses_halve_the_number_of_requests(site: Site) -> None:
    # Each file is read by one of the two alone, since GDAL remembers what it read of an address.
    plain, first = requests(site, {}, "t00.tif")
    before, _ = requests(site, GDAL_OPTIONS, "t01.tif")
    ours, _ = requests(site, gdal_options("http://"), "t10.tif")
    print(f"\nten windows: {plain} requests by default, {before} with the settings for files, {ours} for addresses")
    assert ours <= 0.5 * plain and ours < before
    with rasterio.open(site.folder / "t00.tif") as file:
        assert all(np.array_equal(a, file.read(1, window=w)) for a, w in zip(first, WINDOWS, strict=True))


def test_an_address_in_a_list_that_gdal_reads_never_loads_a_whole_file(site: Site, tmp_path: Path) -> None:
    """GDAL's driver HTTP does so for an address without /vsicurl/ before it (gdal.org, "HTTP")."""
    index = site.index(tmp_path / "a.gti.gpkg")
    vrt = tmp_path / "a.vrt"
    vrt.write_text(
        '<VRTDataset rasterXSize="9" rasterYSize="9"><VRTRasterBand dataType="Float32" band="1"><SimpleSource>'
        f"<SourceFilename>{site.server.address}/t00.tif</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>"
    )
    for name in (str(index), f"GTI:{index}", str(vrt)):
        with pytest.raises(sk.InputError, match="which would be loaded whole, so write /vsicurl/ before the address"):
            read_header(name)
    assert site.server.asked(".tif") == []
