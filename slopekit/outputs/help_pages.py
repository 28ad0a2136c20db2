"""The pages of docs/ as HTML, for the help buttons of forms."""

import html
import importlib.resources
import re
from collections.abc import Container, Iterator
from itertools import pairwise
from pathlib import Path

from markdown_it import MarkdownIt
from markdown_it.token import Token

from slopekit.errors import InputError

_STYLE = (
    "body{font:16px/1.5 sans-serif;max-width:52em;margin:2em auto;padding:0 1em;color:#222}"
    "pre,code{background:#f2f1ee}pre{padding:.6em;overflow:auto}img{max-width:100%}"
    "table{border-collapse:collapse}td,th{border:1px solid #bbb;padding:.2em .5em;text-align:left;vertical-align:top}"
)


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
    """A page of CommonMark with tables in HTML. known: names of the files beside it; a link to another is its words
    alone, a picture nothing."""
    marks = MarkdownIt("commonmark", {"html": False, "xhtmlOut": False}).enable("table")
    tokens = marks.parse(text)
    title = "slopekit"
    for before, token in pairwise(tokens):
        if before.type == "heading_open":
            before.attrSet("id", anchor(token.content))
            title = token.content if before.tag == "h1" else title
        token.children = None if token.children is None else list(_leading(token.children, known))
    body = marks.renderer.render(tokens, marks.options, {})
    head = f'<meta charset="utf-8"><title>{html.escape(title)}</title><style>{_STYLE}</style>'
    return f'<!DOCTYPE html>\n<html lang="en"><head>{head}</head><body>\n{body}</body></html>\n'


def anchor(words: str) -> str:
    """The name of a heading, as links to a part of a page have it."""
    return re.sub(r"[^\w\- ]", "", words.lower()).replace(" ", "-")


def _leading(tokens: list[Token], known: Container[str]) -> Iterator[Token]:
    """What stands in a line, without links and pictures that lead nowhere."""
    kept = []
    for token in tokens:
        if token.type == "image":
            name = Path(str(token.attrs["src"])).name
            token.attrSet("src", name)
            if name not in known:
                continue
        elif token.type == "link_open":
            place = _place(str(token.attrs["href"]), known)
            token.attrSet("href", place)
            kept.append(bool(place))
            if not place:
                continue
        elif token.type == "link_close" and not kept.pop():
            continue
        yield token


def _place(link: str, known: Container[str]) -> str:
    """Where a link of the docs leads among the pages; empty for nowhere."""
    if link.startswith(("https://", "#")):
        return link
    to, sharp, part = link.partition("#")
    page = f"{Path(to).stem}.html"
    return f"{page}{sharp}{part}" if to.endswith(".md") and page in known else ""
