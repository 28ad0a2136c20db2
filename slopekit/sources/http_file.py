"""A file on a web server, of which only the parts that are asked for are fetched."""

import io
import urllib.error
import urllib.request
from collections import OrderedDict
from http.client import HTTPException, HTTPResponse

from slopekit import __version__
from slopekit.errors import InputError
from slopekit.sources.files import short_name

_BLOCK = 64 * 1024
_KEPT = 512
"""Blocks in memory, 32 MB: neighbouring boxes need the same parts again."""
_SILENCE_S = 20.0
"""A server that sends nothing for so long is asked again, and then given up."""
_TRIES = 3


class HttpFile(io.RawIOBase):
    """Reads as a file opened for reading in binary. Raises InputError where the server does not give what it should."""

    def __init__(self, url: str) -> None:
        super().__init__()
        self._url = url
        self._at = 0
        self._blocks: OrderedDict[int, bytes] = OrderedDict()
        self.requests = 0
        """Asked of the server so far."""
        self.fetched = 0
        """Bytes so far."""
        self._size: int | None = None
        self._block(0, 1)

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._size or 0}[whence]
        self._at = base + offset
        return self._at

    def readinto(self, buffer: object) -> int:
        view = memoryview(buffer).cast("B")  # type: ignore[arg-type]
        size = self._size or 0
        count = max(0, min(len(view), size - self._at))
        if count:
            first, last = self._at // _BLOCK, (self._at + count - 1) // _BLOCK
            data = b"".join(self._block(block, last - block + 1) for block in range(first, last + 1))
            start = self._at - first * _BLOCK
            view[:count] = data[start : start + count]
            self._at += count
        return count

    def read(self, size: int = -1) -> bytes:
        """All of what is asked for, as callers of a file on the disk expect it."""
        want = max(0, (self._size or 0) - self._at) if size is None or size < 0 else size
        out = bytearray(want)
        return bytes(out[: self.readinto(out)])

    def _block(self, number: int, ahead: int) -> bytes:
        """One block; where it is not there, it and those of the next `ahead` that are not there either are fetched."""
        if number in self._blocks:
            self._blocks.move_to_end(number)
            return self._blocks[number]
        end = number + 1
        while end < number + min(ahead, _KEPT // 2) and end not in self._blocks:
            end += 1
        data = self._fetch(number * _BLOCK, end * _BLOCK)
        for block in range(number, end):
            self._blocks[block] = data[(block - number) * _BLOCK : (block - number + 1) * _BLOCK]
            self._blocks.move_to_end(block)
        while len(self._blocks) > _KEPT:
            self._blocks.popitem(last=False)
        return self._blocks[number]

    def _fetch(self, start: int, stop: int) -> bytes:
        headers = {"Range": f"bytes={start}-{stop - 1}", "User-Agent": f"slopekit/{__version__}"}
        why = ""
        for _ in range(_TRIES):
            self.requests += 1
            try:
                request = urllib.request.Request(self._url, headers=headers)
                with urllib.request.urlopen(request, timeout=_SILENCE_S) as answer:
                    return self._taken(answer, start, stop)
            except urllib.error.HTTPError as error:
                why = f"it says {error.code}"
                if error.code < 500:
                    break
            except (OSError, HTTPException) as error:
                reason = getattr(error, "reason", None) or str(error)
                why = str(reason) or type(error).__name__
        raise InputError(
            f"{short_name(self._url)}: the server does not answer as it should ({why}), so try again later, or "
            "download the file and name it."
        )

    def _taken(self, answer: HTTPResponse, start: int, stop: int) -> bytes:
        told = answer.headers.get("Content-Range", "")
        if answer.status != 206 or "/" not in told or not told.rpartition("/")[2].isdigit():
            raise InputError(
                f"{short_name(self._url)}: the server does not give parts of a file, so download it and name it."
            )
        size = int(told.rpartition("/")[2])
        if self._size is not None and size != self._size:
            raise InputError(f"{short_name(self._url)}: the file changed while it was read, so run again.")
        self._size = size
        data = answer.read()
        self.fetched += len(data)
        if len(data) != min(stop, size) - start:
            raise OSError("the answer was cut off")
        return data
