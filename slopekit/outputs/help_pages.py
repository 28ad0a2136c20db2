"""The pages of docs/ as HTML, for the help buttons of forms: the marks that these pages use, and no others."""

import html
import importlib.resources
import re
from collections.abc import Callable, Container, Iterator
from pathlib import Path

from slopekit.errors import InputError

_STYLE = (
    "body{font:16px/1.5 sans-serif;max-width:52em;margin:2em auto;padding:0 1em;color:#222}"
    "pre,code{background:#f2f1ee}pre{padding:.6em;overflow:auto}img{max-width:100%}"
    "table{border-collapse:collapse}td,th{border:1px solid #bbb;padding:.2em .5em;text-align:left;vertical-align:top}"
)
_INLINE = re.compile(
    r"`(?P<code>[^`]+)`|!\[(?P<alt>[^\]]*)\]\((?P<src>[^)]+)\)|\[(?P<text>[^\]]+)\]\((?P<to>[^)]+)\)"
    r"|\*\*(?P<bold>.+?)\*\*|(?<!\w)\*(?P<lean>[^*]+)\*(?!\w)"
)
_ITEM = re.compile(r"(-|\d+\.) +(.*)")


def help_files() -> dict[str, bytes]:
    """Every page as NAME.html, and the pictures that they show. Raises InputError where the docs did not come along."""
    package = Path(str(importlib.resources.files("slopekit")))
    inside, beside = package / "docs", package.parent / "docs"
    folder = inside if inside.is_dir() else beside
    readme = folder / "README.md" if folder == inside else package.parent / "README.md"
    pages = {page.stem: page.read_text(encoding="utf-8") for page in (*folder.glob("*.md"), readme) if page.is_file()}
    if "qgis" not in pages:
        raise InputError(f"{package}: the help pages did not come with this installation, so install slopekit anew.")
    pictures = {picture.name: picture.read_bytes() for picture in sorted(folder.glob("*.png"))}
    known = {*pictures, *(f"{name}.html" for name in pages)}
    return {f"{name}.html": as_html(text, known).encode() for name, text in sorted(pages.items())} | pictures


def as_html(text: str, known: Container[str]) -> str:
    """A page in HTML. known: names of the files beside it; a link to another is its words alone, a picture nothing."""
    body = "\n".join(_blocks(text.split("\n"), known))
    title = next((line.lstrip("# ") for line in text.split("\n") if line.startswith("# ")), "slopekit")
    head = f'<meta charset="utf-8"><title>{html.escape(title)}</title><style>{_STYLE}</style>'
    return f'<!DOCTYPE html>\n<html lang="en"><head>{head}</head><body>\n{body}\n</body></html>\n'


def _blocks(lines: list[str], known: Container[str]) -> Iterator[str]:
    while lines:
        line = lines.pop(0)
        if line.startswith("```"):
            code = _taken(lines, lambda one: not one.startswith("```"))
            lines[:1] = []
            yield f"<pre>{html.escape(chr(10).join(code))}</pre>"
        elif line.startswith("    "):
            code = [line, *_taken(lines, lambda one: one.startswith("    "))]
            yield f"<pre>{html.escape(chr(10).join(one[4:] for one in code))}</pre>"
        elif line.startswith("#"):
            level, words = len(line) - len(line.lstrip("#")), line.lstrip("# ")
            yield f'<h{level} id="{anchor(words)}">{_inline(words, known)}</h{level}>'
        elif line.startswith("|"):
            yield _table([line, *_taken(lines, lambda one: one.startswith("|"))], known)
        elif _ITEM.match(line):
            yield _list([line, *_taken(lines, lambda one: bool(_ITEM.match(one)) or one.startswith("  "))], known)
        elif line.strip():
            rest = _taken(lines, lambda one: bool(one.strip()) and not one.startswith(("#", "|", "```", "- ")))
            yield f"<p>{_inline(' '.join([line, *rest]), known)}</p>"


def _taken(lines: list[str], goes_on: Callable[[str], bool]) -> list[str]:
    """The first lines that belong together, taken from the list."""
    out = []
    while lines and goes_on(lines[0]):
        out.append(lines.pop(0))
    return out


def _table(rows: list[str], known: Container[str]) -> str:
    cells = [re.split(r"(?<!\\)\|", row.strip().strip("|")) for row in rows]
    made = []
    for number, row in enumerate(cells):
        kind = "th" if number == 0 else "td"
        if number != 1:
            made.append("".join(f"<{kind}>{_inline(cell.strip(), known)}</{kind}>" for cell in row))
    return "<table>" + "".join(f"<tr>{row}</tr>" for row in made) + "</table>"


def _list(lines: list[str], known: Container[str]) -> str:
    items: list[str] = []
    for line in lines:
        found = _ITEM.match(line)
        if found:
            items.append(found[2])
        else:
            items[-1] += f" {line.strip()}"
    kind = "ul" if lines[0].startswith("-") else "ol"
    return f"<{kind}>" + "".join(f"<li>{_inline(one, known)}</li>" for one in items) + f"</{kind}>"


def anchor(words: str) -> str:
    """The name of a heading, as links to a part of a page have it."""
    return re.sub(r"[^\w\- ]", "", words.lower()).replace(" ", "-")


def _inline(text: str, known: Container[str]) -> str:
    out, at = [], 0
    for found in _INLINE.finditer(text):
        out += [html.escape(text[at : found.start()]), _marked(found, known)]
        at = found.end()
    return "".join([*out, html.escape(text[at:])])


def _marked(found: re.Match[str], known: Container[str]) -> str:
    if found["code"]:
        return f"<code>{html.escape(found['code'])}</code>"
    if found["src"]:
        name = Path(found["src"]).name
        return f'<img alt="{html.escape(found["alt"])}" src="{html.escape(name)}">' if name in known else ""
    if found["text"]:
        words, (to, _, part) = _inline(found["text"], known), found["to"].partition("#")
        page = f"{Path(to).stem}.html" if to.endswith(".md") else ""
        place = found["to"] if to.startswith("https://") else f"{page}{f'#{part}' if part else ''}"
        leads = place == found["to"] or page in known
        return f'<a href="{html.escape(place)}">{words}</a>' if leads and place else words
    mark, words = ("b", found["bold"]) if found["bold"] else ("i", found["lean"])
    return f"<{mark}>{_inline(words, known)}</{mark}>"
