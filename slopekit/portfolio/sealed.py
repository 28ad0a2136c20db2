"""Records with a checksum of their own, so that one which was edited or damaged is known."""

import hashlib
import json
from collections.abc import Mapping
from typing import Any

_MARK = b',"check":"'


def sealed(content: Mapping[str, Any]) -> bytes:
    """One line of JSON, whose last member is a checksum of all before it. content: has members."""
    body = json.dumps(content, separators=(",", ":")).encode()
    return body[:-1] + _MARK + _sum(body)


def opened(text: bytes) -> dict[str, Any]:
    """What was sealed. Raises ValueError where a byte of it has changed; nothing is made of it then."""
    head, _, end = text.rpartition(_MARK)
    body = head + b"}"
    if end != _sum(body):
        raise ValueError("the checksum does not hold")
    content: dict[str, Any] = json.loads(body)
    return content


def _sum(body: bytes) -> bytes:
    return hashlib.sha256(body).hexdigest()[:16].encode() + b'"}'
