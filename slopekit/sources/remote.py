"""Which names and files lead to another machine, and the lock that keeps the libraries at home.

A lock has two parts. What can be seen to lead away is refused with a sentence before it is opened. Whatever cannot be
seen (a schema that a GML file names, an overview in a sidecar) finds the ways out of GDAL, curl and PROJ closed.
"""

import contextlib
import json
import os
import re
import tarfile
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

from slopekit.errors import InputError
from slopekit.sources.checksum import local_file
from slopekit.sources.files import is_virtual, listed, named_parts, rasters_of, short_name

_NOWHERE = "http://127.0.0.1:9"  # the port of a service that throws everything away (RFC 863)
# GDAL's manual, "Configuration options" and "Virtual file systems"; curl's and PROJ's manuals on the environment. An
# address may name a proxy of its own, which only the name of the one file that may be fetched stops.
_LOCK = {
    "SLOPEKIT_NO_REMOTE": "1",
    "CPL_VSIL_CURL_ALLOWED_FILENAME": "none",
    **dict.fromkeys(("GDAL_HTTP_PROXY", "GDAL_HTTPS_PROXY"), _NOWHERE),
    **dict.fromkeys(("http_proxy", "https_proxy", "ftp_proxy", "all_proxy"), _NOWHERE),
    **dict.fromkeys(("HTTPS_PROXY", "FTP_PROXY", "ALL_PROXY"), _NOWHERE),
    **dict.fromkeys(("no_proxy", "NO_PROXY"), ""),
    "PROJ_NETWORK": "OFF",
}
# GDAL's file systems and formats with a colon that read files of this machine; all others lead away or may do so.
_AT_HOME = re.compile(r"/vsi(zip|tar|7z|rar|gzip|subfile|sparse|cached|crypt|mem)(?=[/?{])")
_FORMATS = re.compile(
    r"(netcdf|hdf[45][a-z_]*|gtiff_dir|gtiff_raw|gpkg|zarr|bag|s10[24]|s111|gti|derived_subdataset|nitf_im|pdf"
    r"|rasterlite|sqlite|jp2|iso8211|dted|grib|file|geojson|topojson|jsonfg)(?=:)",
    re.IGNORECASE,
)
# Roots of small XML files of GDAL that name sources.
_LEADS = re.compile(
    rb"^[\s\xef\xbb\xbf]*(<\?xml[^>]*>)?\s*(<!--.*?-->\s*)*"
    rb"<(VRTDataset|OGRVRT|GDALTileIndex|GDAL_W|WCS_|WMS_|WMT_|OGRWFS|OGROAPIF|MRF_META|PAMDataset|Capabilities|TileMap)",
    re.DOTALL,
)
_JSON_LEADS = re.compile(rb'"(slopekit_tile|stac_version|gdal_streamed_alg|tilejson|tiles|asset_templates)"')
_ADDRESS = re.compile(
    r"[a-z][a-z0-9+.-]*://[^\s\"'<>]*|(?<![\w.-])/vsi(?!(?:zip|tar|7z|rar|gzip|subfile|sparse|cached|crypt|mem)[/?{])"
    r"[a-z0-9_]+[/?{][^\s\"'<>]*",
    re.IGNORECASE,
)
_NAMES_SOURCE = (
    *("SourceFilename", "SourceDataset", "Source", "Dataset", "IndexDataset", "DataFile"),
    *("SrcDataSource", "SrcDSN", "URL"),
)
_DESCRIBES = ("Description", "CategoryNames", "GDALRasterAttributeTable")
_HEAD, _MOST = 4096, 32 << 20
"""Bytes that tell what a file is, and the largest that can be such a file; a mosaic of 100 000 tiles has as many."""
_SIDECARS = (".aux.xml", ".ovr", ".msk")


@dataclass(frozen=True)
class Remote:
    """A source that is not a file of this machine."""

    via: str
    """The file that names it, or '' where the user did."""
    name: str
    """Without what may be a key."""


def is_locked() -> bool:
    """Whether sources that are not files of this machine are refused."""
    return "SLOPEKIT_NO_REMOTE" in os.environ


@contextlib.contextmanager
def locked(wanted: bool = True) -> Iterator[None]:
    """Keep this process, and those that it starts meanwhile, from fetching anything. Without `wanted`: as it was."""
    if not wanted:
        yield
        return
    before = {name: os.environ.get(name) for name in _LOCK}
    os.environ.update(_LOCK)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def check_local(names: Iterable[str | Path]) -> None:
    """While locked, raise InputError for a name, or a file that it leads to, that is not a file of this machine."""
    if not is_locked():
        return
    for found in remote_sources(names):
        if found.via:
            told = f"{found.via}: it leads to {found.name}, which is no file of this machine, so take that out of it"
        else:
            told = f"{found.name}: this is no file of this machine, so name one"
        raise InputError(f"{told}, or leave out --no-remote if you trust it.")


def local_rasters(paths: Iterable[str | Path]) -> list[str]:
    """The rasters behind the given names, as `rasters_of`, after `check_local` of the names and of every raster."""
    named = [*paths]
    check_local(named)
    found = rasters_of(named)
    check_local(found)
    return found


def remote_sources(names: Iterable[str | Path]) -> Iterator[Remote]:
    """What is not on this machine of the sources that names lead to, through VRTs, tile indexes and archives."""
    seen: set[str] = set()
    for name in names:
        yield from _followed(named_parts(str(name))[0], "", seen)


def names_sources(path: str) -> bool:
    """Whether a file, or one in an archive, is a text of GDAL's own that names what to read instead."""
    with open(path, "rb") as stream:
        head = stream.read(_HEAD)
    return any(_LEADS.match(text) for text in (head, *(_members(path) if head[:2] == b"PK" else ())))


def leads_away(name: str) -> bool:
    """Whether GDAL may leave this machine for a name: an address, a data base, a service, or a text in place of one."""
    rest = _AT_HOME.sub("", name)
    if _ADDRESS.search(rest.replace("file:///", "/")) or name.lstrip().startswith(("<", "{")):
        return True
    if os.name == "nt" and name.startswith(("\\\\", "//")):
        return True
    return is_virtual(_bare(rest))


def _bare(name: str) -> str:
    """A name without what tells GDAL the format."""
    while found := _FORMATS.match(name):
        name = name[found.end() + 1 :].lstrip('"')
    return name


def without_keys(name: str) -> str:
    """A source's name for others to read: no query, user or password, and of a data base the kind alone."""
    if re.match(r"/vsi[a-z0-9_]+\?", name):
        return name.partition("?")[0]
    if "://" in name or name.startswith("/vsi"):
        return re.sub(r"(?<=//)[^/]*@", "", re.split("[?#]", name, maxsplit=1)[0])
    if name.lstrip().startswith(("<", "{")):
        return "a text in place of a file's name"
    return f"{name.partition(':')[0]}:..."


def remote_notes(names: Iterable[str | Path]) -> dict[str, str]:
    """Rows for the notes of a result: the hosts and stores that sources lie on, or that remote ones were refused."""
    if is_locked():
        return {"remote sources": "refused (--no-remote)"}
    places: dict[str, list[Remote]] = {}
    for found in remote_sources(names):
        place = re.match(r"(/vsi[a-z0-9_]+/)?([^:/]*://)?[^/]*", found.name)
        places.setdefault(place[0] if place else found.name, []).append(found)
    rows = {}
    for number, (first, *more) in enumerate(places.values(), 1):
        via = f", named in {first.via}" if first.via else ""
        rows[f"remote source {number}"] = first.name + via + (f", and {len(more)} more there" if more else "")
    return rows


def _followed(name: str, via: str, seen: set[str]) -> Iterator[Remote]:
    if leads_away(name):
        yield Remote(via, without_keys(name))
        return
    file = name if os.path.isfile(name) else local_file(re.sub(r'^[\d:]*:|"|":.*', "", _bare(name)))
    for path in () if file is None else (file, *(file + end for end in _SIDECARS)):
        real = os.path.realpath(path)
        if real not in seen and os.path.isfile(real):
            seen.add(real)
            yield from _in_file(path, bool(via), seen)


def _in_file(path: str, named: bool, seen: set[str]) -> Iterator[Remote]:
    """named: by another file, which may be the description of a tile index."""
    via = short_name(path)
    with open(path, "rb") as stream:
        head = stream.read(_HEAD)
        text = head + stream.read(_MOST) if _may_lead(head) else b""
    archived = _members(path) if head[:2] == b"PK" or b"ustar" in head[:512] else ()
    sources = [source for content in (text, *archived) if content for source in _sources_in(content)]
    for source in sources if text or archived else (listed(path) or ()) if named else ():
        if not leads_away(source):
            yield from _followed(os.path.join(os.path.dirname(path), source), via, seen)
        yield from _followed(source, via, seen)


def _may_lead(head: bytes) -> bool:
    return _LEADS.match(head) is not None or (head.lstrip()[:1] == b"{" and _JSON_LEADS.search(head) is not None)


def _members(path: str) -> Iterator[bytes]:
    """Files of an archive that may name sources."""
    with contextlib.suppress(OSError, zipfile.BadZipFile, tarfile.TarError, NotImplementedError, RuntimeError):
        if zipfile.is_zipfile(path):
            with zipfile.ZipFile(path) as archive:
                for info in archive.infolist():
                    with archive.open(info) as member:
                        head = member.read(_HEAD)
                        if _may_lead(head):
                            yield head + member.read(_MOST)
        elif tarfile.is_tarfile(path):
            with tarfile.open(path) as tar:
                for entry in tar:
                    opened = tar.extractfile(entry)
                    if opened is not None and _may_lead(head := opened.read(_HEAD)):
                        yield head + opened.read(_MOST)


def _sources_in(text: bytes) -> Iterator[str]:
    """Names of sources, and every address, in a text of GDAL's own; of one that is no sound XML, addresses alone."""
    if b'"slopekit_tile"' in text:
        with contextlib.suppress(ValueError, AttributeError):
            yield from filter(None, [json.loads(text).get("file")])
    try:
        root = ElementTree.fromstring(text.strip())
    except ElementTree.ParseError:
        yield from _ADDRESS.findall(text.decode("utf-8", "replace").replace("\\/", "/"))
        return
    for element in _but_descriptions(root):
        values = [element.text or "", *(value for key, value in element.attrib.items() if "}" not in key)]
        named = element.tag.rpartition("}")[2] in _NAMES_SOURCE
        yield from (value.strip() for value in values if named or _ADDRESS.search(value))


def _but_descriptions(element: ElementTree.Element) -> Iterator[ElementTree.Element]:
    """All elements but those that only describe, where an address leads nobody anywhere."""
    tag = element.tag.rpartition("}")[2]
    if tag == "Metadata":
        yield from (item for item in element if item.get("key") == "OVERVIEW_FILE")
    elif not tag.endswith("SRS") and tag not in _DESCRIBES:
        yield element
        for child in element:
            yield from _but_descriptions(child)
