"""Searching STAC APIs: the one place that knows pystac-client. What it asks goes through our own client, which checks
every hop and keeps to few connections."""

import json
from typing import Any
from urllib.parse import urlencode

from slopekit.errors import InputError
from slopekit.grid import Bounds
from slopekit.sources.remote import without_keys
from slopekit.sources.web import Web

try:
    from pystac_client import Client
    from pystac_client.exceptions import APIError
    from pystac_client.stac_api_io import StacApiIO
except ModuleNotFoundError as error:
    raise InputError("A STAC API needs more: pip install 'slopekit[stac]'.") from error

_MOST = 100_000_000
_MOST_ITEMS = 200_000
_PAGE = 100


class _Asking(StacApiIO):
    """Pages by way of `Web`. Only GET is asked, which every API knows (STAC API 1.0, item search)."""

    def __init__(self, web: Web) -> None:
        super().__init__()
        self._web = web

    def request(
        self, href: str, method: str | None = None, headers: Any = None, parameters: dict[str, Any] | None = None
    ) -> str:
        query = urlencode({k: v if isinstance(v, str) else _flat(v) for k, v in (parameters or {}).items()})
        address = f"{href}{'&' if '?' in href else '?'}{query}" if query else href
        return self._web.read(address, _MOST).decode()


def _flat(value: Any) -> str:
    return ",".join(map(str, value)) if isinstance(value, list | tuple) else str(value)


def search(address: str, box: Bounds, collection: str, web: Web) -> list[dict[str, Any]]:
    """Items, as JSON, that meet bounds in longitude and latitude; of one collection where it is named.

    Raises InputError for an API that does not answer as it should, and for more items than anybody needs.
    """
    shown = without_keys(address)
    found: list[dict[str, Any]] = []
    west, south, east, north = box
    whole = [max(west, -180.0), max(south, -90.0), min(east, 180.0), min(north, 90.0)]
    try:
        client = Client.open(address, stac_io=_Asking(web))
        asked = client.search(method="GET", bbox=whole, collections=[collection] if collection else None, limit=_PAGE)
        for page in asked.pages_as_dicts():
            found += page.get("features", ())
            if len(found) > _MOST_ITEMS:
                raise InputError(
                    f"{shown}: more than {_MOST_ITEMS:,} items meet the parcels, so name --only collection=NAME."
                )
    except (APIError, json.JSONDecodeError, KeyError, NotImplementedError) as error:
        raise InputError(f"{shown}: the STAC API does not answer as it should, so check the address.") from error
    return found
