"""Points a second from LAZ to all layers, and memory, on gentle and on steep ground. Printed; nothing is asserted on a
time."""

import resource
import subprocess
import sys
from pathlib import Path

import pytest

MADE = """
import sys, time, tempfile, resource
from pathlib import Path
sys.path.insert(0, {support!r})
import numpy as np
from points_maker import ground_cloud, write_points
import slopekit as sk
steep = {steep}
def ground(x, y):
    return 50.0 + (0.5 * x + 2.0 * np.sin(x / 3.0) if steep else 0.03 * x + 0.2 * np.sin(x / 20.0))
with tempfile.TemporaryDirectory() as place:
    folder = Path(place)
    small = write_points(folder / "small.laz", ground_cloud(ground, 4.0, 50.0))
    sk.points(small, folder / "warm")
    for n in range({files}):
        cloud = ground_cloud(ground, 10.0, 400.0, seed=n)
        write_points(folder / f"{{n}}.laz", cloud, south=4_099_600.0)
        count = len(cloud.x)
        del cloud
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start = time.perf_counter()
    sk.points([folder / f"{{n}}.laz" for n in range({files})], folder / "out")
    took = time.perf_counter() - start
    print(f"{{count * {files} / 1e6:.1f}} M points, {{count * {files} / took / 1e6:.2f}} M points/s, "
          f"peak {{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f}} MB")
"""
SUPPORT = Path(__file__).resolve().parents[1] / "support"


@pytest.mark.parametrize("files", [1, 4])
@pytest.mark.parametrize("steep", [False, True], ids=["gentle", "steep"])
def test_points_a_second_and_memory(steep: bool, files: int) -> None:
    code = MADE.format(support=str(SUPPORT), steep=steep, files=files)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    print(f"\n{'steep' if steep else 'gentle'}, {files} files over one another: {done.stdout.strip()}")
    assert resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss > 0
