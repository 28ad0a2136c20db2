"""Keys in addresses: told from the rest, kept in memory alone, and given back to the server that they were for."""

import base64
import json
import os
import re
from urllib.parse import parse_qsl, unquote, urlsplit, urlunsplit

KEPT = "SLOPEKIT_TILE_KEYS"
"""Variable of the environment that hands keys to this process and to those that it starts: a JSON object with
'user:password' or '?query' by host and port."""
# Names of parameters that carry keys: signed addresses of the usual stores (their manuals, from memory), and whatever
# calls itself a key. A long value of an unknown name is taken for one too.
_SECRET = re.compile(
    r"sig|token|key|pass|pwd|auth|secret|cred|policy|expires|^x-(amz|goog|ms)|session|jwt|^(s[eprvti]|spr|skoid|sktid"
    r"|skt|ske|sks|skv|sv|ss|srt)$",
    re.IGNORECASE,
)
_LONG = 32
_exact: dict[str, str] = {}


def kept_apart(address: str) -> str:
    """An address without what may be a key, which this process keeps in mind for `with_key`."""
    parts = urlsplit(address)
    host = f"{parts.hostname}:{parts.port or (443 if parts.scheme == 'https' else 80)}"
    user, query = parts.netloc.rpartition("@")[0], parts.query
    secret = any(_SECRET.search(name) or len(value) > _LONG for name, value in parse_qsl(query, keep_blank_values=True))
    bare = urlunsplit((parts.scheme, parts.netloc.rpartition("@")[2], parts.path, "" if secret else query, ""))
    if user or secret:
        known = _known()
        key = unquote(user) if user else f"?{query}"
        if known.setdefault(host, key) != key:
            _exact[bare] = key
        os.environ[KEPT] = json.dumps(known)
    return bare


def with_key(address: str) -> tuple[str, dict[str, str]]:
    """The address to ask, and the headers to ask with."""
    parts = urlsplit(address)
    bare = urlunsplit((parts.scheme, parts.netloc.rpartition("@")[2], parts.path, parts.query, ""))
    host = f"{parts.hostname}:{parts.port or (443 if parts.scheme == 'https' else 80)}"
    key = _exact.get(bare) or _known().get(host, "")
    own = parts.netloc.rpartition("@")[0]
    if own:
        key = unquote(own)
    if key.startswith("?"):
        return (bare if parts.query else f"{bare}{key}"), {}
    return bare, {"Authorization": f"Basic {base64.b64encode(key.encode()).decode()}"} if key else {}


def _known() -> dict[str, str]:
    try:
        found = json.loads(os.environ.get(KEPT, "{}"))
    except ValueError:
        return {}
    return {str(host): str(key) for host, key in found.items()} if isinstance(found, dict) else {}
