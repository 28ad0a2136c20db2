"""Exit codes, streams and start-up of the command line.

The codes are the project's own contract (0 done, 1 a fault of ours, 2 bad input). 130 for an interrupt is 128 + SIGINT,
as POSIX shells report it (IEEE Std 1003.1, Shell and Utilities 2.8.2; from memory).
"""

import os
import re
import signal
import subprocess
import sys
import time
import warnings
from pathlib import Path

import pytest
from child_process import environment
from cli_samples import Instead, Site

from slopekit import __version__
from slopekit.cli import console, main
from slopekit.errors import InputError

ROOT = Path(__file__).resolve().parents[2]
# A shell that starts the tests in the background has them ignore Ctrl-C, and so would what they start.
RUN = (
    "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
    "import sys; from slopekit.cli import main; sys.exit(main())"
)
HEAVY = {"numpy", "scipy", "pandas", "geopandas", "shapely", "rasterio", "pyogrio", "pyproj", "numba", "pyarrow",
         "pydantic", "matplotlib", "rich", "tomllib"}  # fmt: skip


def process(*arguments: str, **settings: object) -> "subprocess.Popen[str]":
    return subprocess.Popen([sys.executable, "-c", RUN, *arguments], text=True, env=environment(), **settings)  # type: ignore[call-overload]


@pytest.mark.parametrize(
    "arguments", [["--help"], ["--version"], ["screen", "--help"], ["inspect", "--help"], ["demo", "--help"]]
)
def test_help_imports_nothing_heavy(arguments: list[str]) -> None:
    show = "import sys; from slopekit.cli import main; main(sys.argv[1:]); print(*sys.modules, file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-c", show, *arguments], capture_output=True, text=True, cwd=ROOT, check=True
    )
    loaded = {name.partition(".")[0] for name in done.stderr.split()}
    assert "click" in loaded
    assert not loaded & HEAVY


def test_version_is_the_packages_own(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr() == (f"slopekit {__version__}\n", "")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ([], "Usage: slopekit"),
        (["mow"], "No such command 'mow'"),
        (["inspect"], "Missing argument 'ELEVATION...'"),
        (["screen", "a.tif", "--parcels", "p", "--fleet", "f"], "Missing option '--out'"),
        (["inspect", "a.tif", "--cell", "0"], "'0' is not a length"),
        (["inspect", "a.tif", "--cell", "nan"], "'nan' is not a length"),
        (["inspect", "a.tif", "--z-rmse", "-0.1"], "'-0.1' is not a length"),
        (["inspect", "a.tif", "--z-rmse", "inf"], "'inf' is not a length"),
        (["inspect", "a.tif", "--surface", "roof"], "'roof' is not one of"),
        (["fields", "--layer", "fences"], "'fences' is not one of"),
    ],
)
def test_wrong_usage_is_told_on_stderr(arguments: list[str], told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert told in err


def test_bad_input_is_one_sentence(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["inspect", site.path("nowhere.tif")]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert re.fullmatch(r"Error: [^\n]*nowhere\.tif: there is no such file or folder[^\n]*\.\n", err)


def test_input_error_out_of_the_long_work_is_bad_input(instead: Instead, capsys: pytest.CaptureFixture[str]) -> None:
    def act() -> None:
        raise InputError("lawn: the parcel lies outside the elevation, so check its CRS.")

    assert instead(act).run("--quiet") == 2
    assert capsys.readouterr() == ("", "Error: lawn: the parcel lies outside the elevation, so check its CRS.\n")


@pytest.mark.parametrize("fault", [ZeroDivisionError("by zero"), BrokenPipeError(32, "Broken pipe"), OSError("odd")])
def test_any_other_error_is_our_fault_with_a_traceback(
    fault: Exception,
    instead: Instead,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def act() -> None:
        raise fault

    site = instead(act)
    assert site.run("--quiet") == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "Traceback (most recent call last)" in err
    assert err.splitlines()[-1].startswith("This is a fault of slopekit, not of your input: ")
    assert not Path(site.path("zones.gpkg")).exists()


def test_interrupt_ends_with_130_and_one_line(instead: Instead, capsys: pytest.CaptureFixture[str]) -> None:
    def act() -> None:
        signal.raise_signal(signal.SIGINT)
        time.sleep(5)

    # Tests that were started in the background may ignore Ctrl-C.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        assert instead(act).run("--quiet") == 130
    finally:
        signal.signal(signal.SIGINT, before)
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1


@pytest.mark.filterwarnings("default")
def test_warnings_are_single_lines(instead: Instead, capsys: pytest.CaptureFixture[str]) -> None:
    before = warnings.showwarning

    def act() -> None:
        warnings.warn("the tiles\n  overlap", UserWarning, stacklevel=1)
        raise InputError("Stop here.")

    assert instead(act).run("--quiet") == 2
    assert capsys.readouterr().err == "Warning: the tiles overlap\nError: Stop here.\n"
    assert warnings.showwarning is before


@pytest.mark.skipif(os.name != "posix", reason="pipes end otherwise on Windows")
@pytest.mark.parametrize("arguments", [["fields"], ["inspect", "data_demo/office_park.tif"], ["--help"]])
def test_closed_pipe_ends_in_silence(arguments: list[str]) -> None:
    run = process(*arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT)
    assert run.stdout is not None and run.stderr is not None
    run.stdout.close()
    assert run.stderr.read() == ""
    run.stderr.close()
    # click itself ends help with 1.
    assert run.wait() == (1 if arguments == ["--help"] else 0)


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs the device that is always full")
def test_full_disk_behind_stdout_is_told() -> None:
    with open("/dev/full", "w") as full:
        run = process("fields", stdout=full, stderr=subprocess.PIPE)
        err = run.communicate()[1]
    assert run.returncode == 2
    assert re.fullmatch(r"Error: What was found cannot be printed \(No space left on device\)[^\n]*\n", err)


def test_text_that_the_terminal_lacks_is_replaced() -> None:
    say = "from slopekit.cli.console import result; result('Wiese \\u4e09')"
    settings = {"env": environment(PYTHONIOENCODING="ascii")}
    done = subprocess.run([sys.executable, "-c", say], capture_output=True, text=True, check=True, **settings)  # type: ignore[call-overload]
    assert done.stdout == "Wiese ?\n"


class _Terminal:
    """A stderr that says it is a terminal."""

    encoding = "utf-8"

    def __init__(self) -> None:
        self.text = ""

    def write(self, text: str) -> int:
        self.text += text
        return len(text)

    def flush(self) -> None:
        return None

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("patience", "quiet", "shown"), [(0.0, False, True), (60.0, False, False), (0.0, True, False)])
def test_bar_appears_on_a_terminal_after_a_while(
    patience: float, quiet: bool, shown: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    terminal = _Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setattr(console, "PATIENCE_S", patience)
    monkeypatch.setenv("TERM", "xterm")
    with console.Watch("Screening", quiet) as watch:
        watch(1, 7)
        for _ in range(100):
            time.sleep(0.02)
            if "1/7" in terminal.text or not shown:
                break
    assert ("Screening" in terminal.text and "1/7" in terminal.text) is shown
    if not shown:
        assert terminal.text == ""


@pytest.mark.parametrize(("quiet", "lines"), [(False, ["Screening: 2 of 3"]), (True, [])])
def test_long_work_without_a_terminal_writes_lines(
    quiet: bool, lines: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    now = [100.0]
    monkeypatch.setattr(console.time, "monotonic", lambda: now[0])
    with console.logging_to_stderr(), console.Watch("Screening", quiet) as watch:
        for after, done in ((1.0, 1), (11.0, 2), (5.0, 3)):
            now[0] += after
            watch(done, 3)
    assert capsys.readouterr().err.splitlines() == lines
