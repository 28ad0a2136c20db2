"""What an index may name, where redirects may lead, and that keys are neither printed nor stored."""

import base64
import ipaddress
import json
import os
import socket
import zipfile
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import pytest
from tile_server import TileServer, serving_tiles
from tile_site import Site

import slopekit as sk
from slopekit.cli import main
from slopekit.sources import keys, tile_index, web
from slopekit.sources.keys import kept_apart, with_key
from slopekit.sources.tile_index import resolve


class _FromAfar(web.Web):
    """A client to which no server seems to lie on this machine, as for an index of a public survey."""

    def _check_peer(self, connection: object) -> None:
        super()._check_peer(connection)  # type: ignore[arg-type]
        self.peers.clear()


@pytest.fixture
def afar(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tile_index, "Web", _FromAfar)


@pytest.fixture
def other(site: Site) -> Iterator[TileServer]:
    with serving_tiles(site.folder) as server:
        yield server


def test_an_index_from_elsewhere_may_not_name_this_machine(
    site: Site, other: TileServer, tmp_path: Path, afar: None, capsys: pytest.CaptureFixture[str]
) -> None:
    site.index(site.folder / "afar.gpkg", prefix=other.address)
    index = f"{site.server.address}/afar.gpkg"
    found = sk.find_tiles(index, site.parcels, fleet=site.fleet)
    got = sk.fetch_tiles(found, tmp_path / "cache")
    assert len(got.failures) == 4 and got.bytes == 0 and other.asked() == []
    assert all("an index from elsewhere names this machine or its network" in told for told in got.failures.values())
    # Nor may the table that was made of it, though it lies on this machine.
    line = ["tiles", "find", index, "--parcels", str(site.parcels), "--fleet", str(site.fleet), "--out"]
    assert main([*line, str(tmp_path / "t.gpkg")]) == 0
    assert len(sk.fetch_tiles(tmp_path / "t.gpkg", tmp_path / "cache").failures) == 4 and other.asked() == []
    # Its own host it may name, and whatever the user lets it.
    site.index(site.folder / "own.gpkg")
    own = sk.find_tiles(f"{site.server.address}/own.gpkg", site.parcels, fleet=site.fleet)
    assert sk.fetch_tiles(own, tmp_path / "own").failures == {}
    assert main([*line, str(tmp_path / "t2.gpkg"), "--allow-private"]) == 0
    assert sk.fetch_tiles(tmp_path / "t2.gpkg", tmp_path / "cache").failures == {}


def test_an_index_of_this_machine_may_name_this_machine(site: Site, other: TileServer, tmp_path: Path) -> None:
    site.index(site.folder / "here.gpkg", prefix=other.address)
    for index in (site.folder / "here.gpkg", f"{site.server.address}/here.gpkg"):
        found = sk.find_tiles(index, site.parcels, fleet=site.fleet)
        assert sk.fetch_tiles(found, tmp_path / Path(index).anchor.strip("/") / "c").failures == {}


@pytest.mark.parametrize(
    "address",
    ["http://127.0.0.1:{}/t00.tif", "http://localhost:{}/t00.tif", "http://[::ffff:127.0.0.1]:{}/t00.tif",
     "http://0.0.0.0:{}/t00.tif", "http://2130706433:{}/t00.tif", "http://0x7f.1:{}/t00.tif", "http://127.1:{}/t00.tif",
     "http://localhost.:{}/t00.tif"],
)  # fmt: skip
def test_this_machine_is_known_by_whatever_name(other: TileServer, site: Site, address: str) -> None:
    port = other.address.rpartition(":")[2]
    with pytest.raises(sk.InputError, match=r"names this machine or its network|cannot be reached|is not known"):
        web.Web(False).read(address.format(port), 10**6)
    assert other.asked() == []


@pytest.mark.parametrize(
    "number",
    [
        "10.0.0.1",
        "192.168.1.1",
        "172.16.0.1",
        "169.254.169.254",
        "[fe80::1]",
        "[fd00::1]",
        "[::1]",
        "[::ffff:10.0.0.1]",
        "[64:ff9b::a00:1]",
        "[2002:a00:1::]",
        "100.64.0.1",
        "0.0.0.0",
    ],
)
def test_private_and_link_local_places_are_refused_before_they_are_asked(number: str) -> None:
    """Ranges of RFC 1918, RFC 3927, RFC 4193, RFC 4291 and RFC 6598, and forms of RFC 4291, RFC 6052 and RFC 3056 that
    hold one."""
    with pytest.raises(sk.InputError, match="names this machine or its network"):
        web.Web(False).read(f"http://{number}/x", 10)


def test_a_name_that_leads_home_is_refused(other: TileServer, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = socket.getaddrinfo
    monkeypatch.setattr(
        socket,
        "getaddrinfo",
        lambda host, *more, **how: asked("127.0.0.1" if host == "a.example" else host, *more, **how),
    )
    port = other.address.rpartition(":")[2]
    with pytest.raises(sk.InputError, match=r"a.example: an index from elsewhere names this machine or its network"):
        web.Web(False).read(f"http://a.example:{port}/t00.tif", 10**6)
    assert other.asked() == []


def test_an_index_that_leads_gdal_elsewhere_is_refused(
    site: Site, other: TileServer, tmp_path: Path, afar: None
) -> None:
    """GDAL's manual, OGR VRT: a driver that is told by the content, whatever the file is called."""
    here = site.index(tmp_path / "here.gpkg")
    for place in (here, f"/vsicurl/{other.address}/index.gpkg"):
        text = (
            f"<OGRVRTDataSource><OGRVRTLayer name='a'><SrcDataSource>{place}</SrcDataSource><SrcLayer>here</SrcLayer>"
            f"</OGRVRTLayer></OGRVRTDataSource>"
        )
        (site.folder / "trap.gpkg").write_text(text)
        with zipfile.ZipFile(site.folder / "trap.zip", "w") as archive:
            archive.writestr("a.vrt", text)
        for name in ("trap.gpkg", "trap.zip"):
            with pytest.raises(sk.InputError, match=f"/{name}: this leads to other files, so name the vector file"):
                sk.find_tiles(f"{site.server.address}/{name}", site.parcels)
    assert other.asked() == []


def test_a_catalogue_of_this_machine_that_leads_away_counts_as_from_elsewhere(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = web.Web(True)
    assert client.may_name_home(False) and not client.may_name_home(True)
    client.peers["a.example:443"] = ipaddress.ip_address("10.1.2.3")
    assert client.may_name_home(False) and not client.may_name_home(True)
    client.peers["b.example:443"] = ipaddress.ip_address("9.9.9.9")
    assert not client.may_name_home(False) and not client.may_name_home(True)
    # A server of this machine that sends on to the internet is no longer of this machine alone.
    client.peers = {"c.example:80": ipaddress.ip_address("127.0.0.1")}
    assert client.may_name_home(True)
    client.peers["b.example:443"] = ipaddress.ip_address("9.9.9.9")
    assert not client.may_name_home(True)


def test_each_hop_of_a_redirect_is_checked(site: Site, other: TileServer) -> None:
    client = web.Web(False, frozenset([site.server.address.removeprefix("http://")]))
    assert len(client.read(f"{site.server.address}/t00.tif", 10**8)) > 1000
    site.server.rules(t00={"do": "status", "code": 307, "headers": {"Location": f"{other.address}/t00.tif"}})
    with pytest.raises(sk.InputError, match="names this machine or its network"):
        client.read(f"{site.server.address}/t00.tif", 10**8)
    assert other.asked() == []


@pytest.mark.parametrize(
    "name",
    ["file:///etc/hosts", "/etc/hosts:x://", "/vsis3/bucket/a.tif", "s3://bucket/a.tif", "ftp://example.com/a.tif",
     "/vsizip//vsicurl/http://example.com/a.zip/a.tif", "\\\\server\\share\\a.tif"],
)  # fmt: skip
def test_an_index_from_elsewhere_names_only_http(name: str) -> None:
    if name == "/etc/hosts:x://":
        # A path is part of the address that the index has.
        assert resolve("/etc/hosts", "https://example.com/a/index.gpkg") == "https://example.com/etc/hosts"
        return
    with pytest.raises(sk.InputError, match="only http, https and names of files are followed"):
        resolve(name, "https://example.com/a/index.gpkg")


def test_names_of_an_index_on_this_machine(tmp_path: Path) -> None:
    assert resolve("a.tif", str(tmp_path)) == str(tmp_path / "a.tif")
    assert resolve("file:///b/a.tif", str(tmp_path)) == "/b/a.tif"
    assert resolve("file://localhost/b%20c/a.tif", str(tmp_path)) == "/b c/a.tif"
    with pytest.raises(sk.InputError, match="only http, https and names of files are followed"):
        resolve("file://elsewhere/b/a.tif", str(tmp_path))
    with pytest.raises(sk.InputError, match=r"a public bucket answers at https://bucket.s3.amazonaws.com/x/a.tif"):
        resolve("s3://bucket/x/a.tif", str(tmp_path))
    assert resolve("/vsicurl/https://example.com/a.tif", str(tmp_path)) == "https://example.com/a.tif"
    assert resolve("../a.tif", "https://example.com/x/index.gpkg") == "https://example.com/a.tif"
    for name in ("s3://bucket/a.tif", "/vsis3/bucket/a.tif", "gs://x/y.tif"):
        with pytest.raises(sk.InputError, match="only http, https and names of files are followed"):
            resolve(name, str(tmp_path))


def test_no_remote_refuses_all(site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    local = site.index(tmp_path / "index.gpkg")
    rest = ["--parcels", str(site.parcels), "--fleet", str(site.fleet), "--no-remote"]
    for index in (f"{site.server.address}/index.gpkg", f"{site.server.address}/items.json"):
        assert main(["tiles", "find", index, *rest, "--out", str(tmp_path / "t.gpkg")]) == 2
        assert "leave out --no-remote if you trust it" in capsys.readouterr().err
    line = ["screen", str(local), *rest, "--cache", str(tmp_path / "cache"), "--out", str(tmp_path / "z.gpkg")]
    assert main(line) == 2
    assert "leave out --no-remote if you trust it" in capsys.readouterr().err
    assert site.server.asked() == []


def test_keys_are_sent_and_neither_printed_nor_stored(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv(keys.KEPT, "{}")
    host = site.server.address.removeprefix("http://")
    index = site.index(tmp_path / "index.gpkg", prefix=f"http://user:hush%21pw@{host}")
    found = sk.find_tiles(index, site.parcels, fleet=site.fleet, id_column="pid")
    found.write(tmp_path / "tiles.gpkg")
    site.server.rules(t11={"do": "status", "code": 404})
    got = sk.fetch_tiles(found, tmp_path / "cache")
    print(found, found.plan, got)
    # "user:hush!pw" in base 64 (RFC 7617).
    assert {one["key"] for one in site.server.asked()} == {"Basic dXNlcjpodXNoIXB3"}
    assert len(got.failures) == 1
    signed = tmp_path / "signed.gpkg"
    table = gpd.read_file(site.index(tmp_path / "plain.gpkg"))
    table["location"] = [f"{one}?sv=1&sig=hush" for one in table["location"]]
    table.to_file(signed)
    monkeypatch.setenv(keys.KEPT, "{}")
    site.server.rules()
    again = sk.fetch_tiles(sk.find_tiles(signed, site.parcels, fleet=site.fleet), tmp_path / "other")
    assert again.failures == {} and {one["query"] for one in site.server.asked()} == {"sv=1&sig=hush"}
    told = capsys.readouterr()
    assert "hush" not in told.out + told.err
    for path in (tmp_path / "tiles.gpkg", *(tmp_path / "cache").rglob("*"), *(tmp_path / "other").rglob("*")):
        assert not path.is_file() or b"hush" not in path.read_bytes()


@pytest.mark.parametrize("key", ["user:hu@hush-hush", "?sv=1&sig=hush", "?token=hush#hush"])
def test_a_whole_run_stores_and_prints_no_key(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], key: str
) -> None:
    monkeypatch.setenv(keys.KEPT, "{}")
    site.index(site.folder / "keyed.gpkg")
    server = site.server.address
    index = f"{server}/keyed.gpkg{key}" if key.startswith("?") else f"http://{key}@{server[7:]}/keyed.gpkg"
    site.server.rules(t11={"do": "status", "code": 403})
    named = ["--parcels", str(site.parcels), "--id-column", "pid", "--fleet", str(site.fleet), "--quiet"]
    run = ["portfolio", index, *named, "--workers", "2", "--cache", str(tmp_path / "c"), "--out", str(tmp_path / "out")]
    # The tile that does not come is named, and its parcel answered by the coarser survey.
    assert main(run) == 0
    table = str(tmp_path / "t.gpkg")
    assert main(["tiles", "find", index, *named, "--out", table]) == 0
    assert main(["tiles", "fetch", table, "--cache", str(tmp_path / "d")]) == 3
    assert main(["tiles", "find", index.replace("keyed", "none"), *named, "--out", table, "--overwrite"]) == 2
    # The index was asked for with its key, and tiles, whose addresses have none, without.
    keyed = {one["name"] for one in site.server.asked() if "hush" in one["query"] or one["key"]}
    assert keyed == {"keyed.gpkg", "none.gpkg"}
    told = capsys.readouterr()
    files = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert len(files) > 20
    for secret in ("hush", base64.b64encode(b"user:hu@hush-hush").decode()):
        assert secret not in told.out + told.err
        assert [path for path in files if secret.encode() in path.read_bytes() or secret in path.name] == []


def test_keys_go_to_the_host_that_they_were_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(keys.KEPT, "{}")
    assert kept_apart("https://a.example/x.tif?file=1") == "https://a.example/x.tif?file=1"
    assert kept_apart("https://a.example/x.tif?X-Amz-Signature=s") == "https://a.example/x.tif"
    assert with_key("https://a.example/y.tif") == ("https://a.example/y.tif?X-Amz-Signature=s", {})
    assert with_key("https://b.example/y.tif") == ("https://b.example/y.tif", {})
    assert json.loads(os.environ[keys.KEPT]) == {"a.example:443": "?X-Amz-Signature=s"}
