"""The help pages: whole HTML whose links lead somewhere, with every word of docs/."""

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from slopekit.outputs.help_pages import as_html, help_files

ROOT = Path(__file__).resolve().parents[2]
FILES = help_files()
PAGES = [name for name in FILES if name.endswith(".html")]
# Elements that have no end (HTML, WHATWG, "Void elements").
VOID = {"meta", "img"}


class Read(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.links: list[str] = []
        self.ids: set[str] = set()
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        self.links += [value for name in ("href", "src") if (value := told.get(name)) is not None]
        self.ids |= {str(told["id"])} if "id" in told else set()
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "title"):
            self.words += re.findall(r"\w+", data)


READ = {name: Read(FILES[name].decode()) for name in PAGES}


@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_whole_and_its_links_lead_somewhere(name: str) -> None:
    assert READ[name].open == []
    for link in READ[name].links:
        page, _, part = link.partition("#")
        assert link.startswith("https://") or (page or name) in FILES, link
        assert link.startswith("https://") or not part or part in READ[page or name].ids, link


@pytest.mark.parametrize("name", PAGES)
def test_no_word_is_lost(name: str) -> None:
    source = ROOT / "README.md" if name == "README.html" else ROOT / "docs" / f"{name.removesuffix('.html')}.md"
    text = re.sub(r"!\[[^\]]*\]\([^)]*\)|(?<=\])\([^)]*\)|^```\w*$", " ", source.read_text("utf-8"), flags=re.MULTILINE)
    # Numbers of a list are counted by the browser.
    text = re.sub(r"^\d+\. ", "", text, flags=re.MULTILINE)
    assert READ[name].words == re.findall(r"\w+", text)


def test_signs_of_html_stay_signs() -> None:
    made = as_html("# A <b>\n\n`<i>` and [x](nowhere.md) & **y**\n\n| a | b |\n| --- | --- |\n| 1 < 2 | - |\n", ())
    assert '<h1 id="a-b">A &lt;b&gt;</h1>' in made
    assert "<p><code>&lt;i&gt;</code> and x &amp; <strong>y</strong></p>" in made
    assert "<td>1 &lt; 2</td>" in made and "<td>-</td>" in made
    assert "<script" not in as_html("<script>a</script>\n", ())
