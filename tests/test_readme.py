"""What README.md and DEVELOPERS.md promise, against the commands, the registry and the files that there are."""

import os
import re
import shlex
import struct
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path

import click
import pytest
from packaging.specifiers import SpecifierSet

from slopekit.cli.entry import commands
from slopekit.schema.classes import CLASSES
from slopekit.schema.fields import FIELDS
from slopekit.schema.inputs import INPUTS
from slopekit.schema.reasons import REASONS

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
NAMES = ("README.md", "DEVELOPERS.md", *sorted(f"docs/{path.name}" for path in (ROOT / "docs").glob("*.md")))
PAGES = {name: (ROOT / name).read_text(encoding="utf-8") for name in NAMES}
SCRIPT = Path(sys.executable).parent / ("slopekit.exe" if os.name == "nt" else "slopekit")

DEMO = 'python3 -m venv .venv && .venv/bin/pip install -q -c constraints.txt ".[page]" && .venv/bin/slopekit demo'
TESTS = (
    "python3 -m venv .venv && .venv/bin/pip install -q -c constraints.txt "
    '".[test,notebooks,distributed,page,points,stac,xarray]" && .venv/bin/pytest -n auto'
)


def _code_lines(page: str) -> list[str]:
    blocks = re.findall(r"^```\w+\n(.*?)^```", page, re.MULTILINE | re.DOTALL)
    return [line for block in blocks for line in block.splitlines()]


def _leaves(group: click.Group, before: str = "") -> Iterator[tuple[str, click.Command]]:
    for name, command in group.commands.items():
        if isinstance(command, click.Group):
            yield from _leaves(command, f"{before}{name} ")
        else:
            yield f"{before}{name}", command


COMMANDS = dict(_leaves(commands))


def _help(name: str) -> str:
    command = COMMANDS[name]
    return command.get_help(click.Context(command, info_name=name))


def _options(text: str) -> set[str]:
    return set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", text))


def _section(title: str) -> str:
    found = re.search(rf"^## {re.escape(title)}\n(.*?)(?=^## |\Z)", README, re.MULTILINE | re.DOTALL)
    assert found, f"README.md has no section '{title}'"
    return found.group(1)


def _rows(section: str, head: str) -> list[list[str]]:
    """Cells of the table whose first head is `head`."""
    after = section.split(f"| {head} |", 1)[1].splitlines()[2:]
    table = after[: next((n for n, line in enumerate(after) if not line.startswith("|")), len(after))]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in table]


def test_two_commands_each_on_a_line_of_its_own() -> None:
    lines = _code_lines(README)
    assert lines.count(DEMO) == 1
    assert lines.count(TESTS) == 1
    assert lines.index(DEMO) < lines.index(TESTS)
    # The run that stands for a newcomer installs what the newcomer is told to install.
    told = TESTS.split("bin/pip ")[1].split(" &&")[0]
    assert told in (ROOT / ".ci" / "run").read_text(encoding="utf-8").replace('bin/pip"', "bin/pip")


def test_what_the_commands_name_exists() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    for line in _code_lines(README) + _code_lines(PAGES["DEVELOPERS.md"]):
        for extras in re.findall(r"\.\[([\w,]+)\]", line):
            assert set(extras.split(",")) <= set(project["optional-dependencies"])
        for constraints in re.findall(r"-c (\S+\.txt)", line):
            assert (ROOT / constraints).is_file()
    assert "slopekit" in project["scripts"]
    told = re.search(r"Python (3\.\d+) to (3\.\d+)", README)
    assert told is not None
    assert project["requires-python"] == f">={told[1]}"
    shown = [c.rsplit(" ", 1)[1] for c in project["classifiers"] if re.search(r":: 3\.\d+$", c)]
    assert (shown[0], shown[-1]) == told.groups()


@pytest.mark.skipif(not SCRIPT.is_file(), reason="slopekit is not installed beside this Python, so there is no command")
def test_the_demo_command_does_what_the_readme_says(tmp_path: Path) -> None:
    last = DEMO.split(" && ")[-1].removeprefix(".venv/bin/")
    name, *arguments = shlex.split(last)
    assert name == "slopekit"
    done = subprocess.run([str(SCRIPT), *arguments], capture_output=True, text=True, cwd=tmp_path, timeout=300)
    assert done.returncode == 0, done.stderr
    said = [Path(line) for line in done.stdout.splitlines()[-6:]]
    assert {path.parent for path in said} == {Path("slopekit_demo")}
    assert all((tmp_path / path).stat().st_size > 10_000 for path in said)
    told = re.search(r"The demo writes six files: (.*?)\n\n", README, re.DOTALL)
    assert told is not None
    assert set(re.findall(r"`(\S+)`", told[1])) == {path.name for path in said}


def test_every_option_exists() -> None:
    for page in PAGES.values():
        for line in _code_lines(page):
            for part in re.findall(r"bin[/\\]slopekit ([^;&]+)", line):
                words = shlex.split(part)
                name = next((n for n in (" ".join(words[:2]), words[0]) if n in COMMANDS), None)
                assert name is not None, f"no such command: {part}"
                assert _options(part) <= _options(_help(name)), part
    known = {option for name in COMMANDS for option in _options(_help(name))}
    texts = [
        page for name, page in PAGES.items() if name not in ("DEVELOPERS.md", "docs/reliability.md", "docs/scale.md")
    ]
    other_programs = {
        option for page in texts for line in _code_lines(page) if "slopekit " not in line for option in _options(line)
    }
    named = {option for page in texts for option in _options(page)} - other_programs
    assert len(named) > 10
    assert named <= known
    # Every layer that a user can give is told of.
    assert {f"--{name}" for name in INPUTS} <= named


@pytest.mark.parametrize("name", PAGES)
def test_links_and_paths_lead_somewhere(name: str) -> None:
    page = PAGES[name]
    links = [link for link in re.findall(r"\]\(([^)#]+)", page) if "://" not in link]
    top = "|".join(
        re.escape(p.name)
        for p in ROOT.iterdir()
        if p.is_dir() and p.name in ("slopekit", "tests", "notebooks", "data_demo", ".ci")
    )
    paths = re.findall(rf"(?<![\w/.])((?:{top})/[\w./-]*)", page)
    pages = re.findall(r"`([A-Z]+\.md|\w+\.toml|constraints\.txt)`", page)
    found = {*links, *paths, *pages} - {"my_fleet.toml", "slopekit/kernels/__pycache__"}
    # A link is read from its page, a path in the text from the top of the project.
    here = (ROOT / name).parent
    assert [p for p in sorted(found) if not any((top / p.rstrip(".")).exists() for top in (here, ROOT))] == []
    assert len(found) > (4 if "/" not in name else 0)


def test_tables_agree_with_the_registry() -> None:
    section = _section("How to read a zone")
    reasons = [(code.strip("`"), words, whom) for code, words, whom in _rows(section, "code")]
    assert reasons == [(row.code, row.words, row.whom) for row in REASONS.values()]
    classes = [(code.strip("`"), label) for code, label, _ in _rows(section, "class")]
    assert classes == [(mark.code, mark.label) for mark in CLASSES]
    zones = {field.name for field in FIELDS if field.layer == "zones"}
    columns = [name for first, _ in _rows(section, "column") for name in re.findall(r"`([^`]+)`", first)]
    assert len(columns) > 12
    assert set(columns) <= zones


def test_a_map_of_ones_own_ground_is_shown() -> None:
    assert any("slopekit screen" in line and " --map " in line for line in _code_lines(README))


def test_real_ground_of_the_tests_is_small_and_credited() -> None:
    page = (ROOT / "tests" / "data" / "README.md").read_text(encoding="utf-8")
    data = ROOT / "tests" / "data"
    pieces = [*(data / "ground").glob("*.tif"), *(data / "points").glob("*.laz")]
    rows = {row.split("`")[1]: row for row in page.splitlines() if row.startswith("| `")}
    assert rows.keys() == {piece.name for piece in pieces}
    licences = ("open data", "Licence Ouverte", "CC BY", "MIT", "CC0")
    assert all(any(licence in row for licence in licences) for row in rows.values())
    # A checkout stays small: the project's own bound.
    assert sum(piece.stat().st_size for piece in pieces) < 6_000_000


def test_picture_is_small_and_large_enough_to_read() -> None:
    link = re.search(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert link is not None
    data = (ROOT / link[1]).read_bytes()
    # PNG (ISO/IEC 15948): the signature, then the header chunk with width and height.
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    width, _ = struct.unpack(">II", data[16:24])
    assert width >= 1200
    assert len(data) < 400_000


def test_the_readme_begins_with_the_job_and_is_short() -> None:
    job = README.split("\n\n")[1]
    assert len(job.split()) <= 110
    said = (
        "Grounds contractors",
        "municipal departments",
        "bids",
        "must decide",
        "hand over",
        "never says that ground",
    )
    assert [words for words in said if words not in " ".join(job.split())] == []
    assert len(README.splitlines()) <= 250
    order = ["![Map", DEMO, TESTS, "powershell", "## Your own data", "## How to read", "## Cautions", "## Limits"]
    assert sorted(order, key=README.index) == order


def test_every_page_is_linked() -> None:
    assert [name for name in PAGES if name.startswith("docs/") and f"({name})" not in README] == []


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_nothing_is_called_safe(name: str) -> None:
    sentences = re.split(r"(?<=[.!?])\s", PAGES[name])
    spoken = [s for s in sentences if re.search(r"\b(safe|safely|safety)\b", s, re.IGNORECASE)]
    assert spoken
    assert [s for s in spoken if not re.search(r"\bnever (says|prints) that ground is safe\b", s)] == []


def test_what_is_pinned_installs_on_the_python_of_debian_12() -> None:
    """Its patch level, 3.11.2 (Debian's package list), is below what some releases ask for."""
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pinned = {line.partition("==")[0] for line in lines}
    asked = {name: metadata.metadata(name).get("Requires-Python") for name in pinned & installed()}
    assert len(asked) > 100
    assert {name: text for name, text in asked.items() if text and not SpecifierSet(text).contains("3.11.2")} == {}


def installed() -> set[str]:
    return {found.metadata["Name"] for found in metadata.distributions()}
