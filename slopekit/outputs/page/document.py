"""The HTML file: one document with its style, scripts and data in it, and a policy that lets nothing else in."""

import base64
import hashlib
import html
import importlib.resources
import json
import re
from collections.abc import Mapping
from typing import Any

from slopekit.errors import InputError
from slopekit.schema.classes import CLASSES

_OWN = importlib.resources.files("slopekit.outputs.page")
_SCRIPTS = ("data.js", "words.js", "paint.js", "map.js", "profile.js", "reading.js", "ledger.js", "start.js")
# W3C Content Security Policy Level 3: what is not named is refused, and inline code runs by its hash alone.
_POLICY = (
    "default-src 'none'; script-src {scripts}; style-src {styles}; img-src data:; base-uri 'none'; form-action 'none'"
)
# The hatches of the map as CSS gradients, in a cell of so many pixels.
_LINE = "{ink} 0 1px,transparent 1px 6px"
_HATCHES = {
    "": "",
    "/": f"repeating-linear-gradient(-45deg,{_LINE})",
    "\\": f"repeating-linear-gradient(45deg,{_LINE})",
    "-": f"repeating-linear-gradient(0deg,{_LINE})",
    "|": f"repeating-linear-gradient(90deg,{_LINE})",
    "x": f"repeating-linear-gradient(45deg,{_LINE}),repeating-linear-gradient(-45deg,{_LINE})",
    ".": "radial-gradient(circle at 3px 3px,{ink} 1.1px,transparent 1.4px) 0 0/6px 6px",
}


def document(content: Mapping[str, Any]) -> bytes:
    """The page of some content (see `pages_of`), UTF-8. Raises InputError where Leaflet is not installed."""
    library, library_style, licence = _leaflet()
    own = '"use strict";(function(){\n' + "\n".join(_read(name) for name in _SCRIPTS) + "\n})();"
    styles = [library_style, _read("page.css") + _class_styles(content)]
    scripts = [library, own]
    policy = _POLICY.format(scripts=_hashes(scripts), styles=_hashes(styles))
    parts = {
        "policy": html.escape(policy),
        "title": html.escape(str(content["title"])),
        "styles": "".join(f"<style>{text}</style>\n" for text in styles),
        "data": data_text(content),
        "scripts": "".join(f"<script>{text}</script>\n" for text in scripts),
        "licence": html.escape(licence),
    }
    for text in (*styles, *scripts):
        if re.search(r"</(script|style)|<!--", text, re.IGNORECASE):
            raise ValueError("a script or style of the page holds markup that would end it")
    page = re.sub(r"\{\{(\w+)\}\}", lambda found: parts[found[1]], _read("page.html"))
    return page.encode("utf-8")


def data_text(content: Mapping[str, Any]) -> str:
    """JSON that no text in it can end: the parser of HTML looks for '<' alone (HTML standard, script data state)."""
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c")


def check_leaflet() -> None:
    """Raise InputError where Leaflet is not installed, so that nobody waits for a page in vain."""
    _leaflet()


def _leaflet() -> tuple[str, str, str]:
    """Script, style and licence of Leaflet."""
    try:
        folder = importlib.resources.files("xstatic.pkg.leaflet") / "data"
        script = (folder / "leaflet.js").read_text(encoding="utf-8")
        style = (folder / "leaflet.css").read_text(encoding="utf-8")
    except (ModuleNotFoundError, FileNotFoundError):
        raise InputError(
            "A page needs Leaflet, which is not installed, so install it with: pip install 'slopekit[page]'."
        ) from None
    # What is beside these two files does not come along.
    script = re.sub(r"^//# sourceMappingURL=.*$", "", script, flags=re.MULTILINE).replace("</script", "<\\/script")
    style = re.sub(r"url\([^)]*\)", "none", style)
    credit = re.match(r"/\*(.*?)\*/", script, re.DOTALL)
    return script, style, _read("leaflet_licence.txt").replace("{credit}", _plain(credit[1]) if credit else "Leaflet")


def _plain(comment: str) -> str:
    """The lines of a comment without its stars."""
    lines = (line.strip(" *").removeprefix("@preserve").strip() for line in comment.splitlines())
    return "\n".join(line for line in lines if line)


def _class_styles(content: Mapping[str, Any]) -> str:
    """One rule a machine class: the fill and the hatch that it has on every map."""
    hatch = {c.code: c.hatch for c in CLASSES}
    rules = []
    for number, one in enumerate(content["classes"]):
        pattern = _HATCHES[hatch[one["code"]]].format(ink=one["ink"])
        rules.append(f".k{number}{{background:{pattern + ',' if pattern else ''}{one['fill']}}}")
    return "\n" + "\n".join(rules) + "\n"


def _hashes(texts: list[str]) -> str:
    return " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(text.encode('utf-8')).digest()).decode('ascii')}'" for text in texts
    )


def _read(name: str) -> str:
    return (_OWN / name).read_text(encoding="utf-8").strip("\n")
