"""A portfolio's screening alone: the same tasks by the same processes, and what they find is let go.

python tests/benchmarks/bench_portfolio.py TILES PARCELS FLEET INDEX WORKERS
"""

import sys
import time
from pathlib import Path

from slopekit.fleet.load import load_fleet
from slopekit.portfolio.limits import Limits
from slopekit.portfolio.prepare import Order, prepare
from slopekit.portfolio.tasks import tasks_of
from slopekit.portfolio.worker_pool import crew
from slopekit.sources.layers import Layers


def screen_alone(tiles: str, parcels: str, fleet: str, index: str, workers: int) -> tuple[int, float]:
    """How many parcels got an answer, and the seconds that it took once all was prepared."""
    order = Order(
        elevation=[tiles], parcels=parcels, id_column="pid", fleet=load_fleet(Path(fleet)),
        read_layers=lambda _: Layers(), limits=Limits(300.0, 4000.0), inputs={}, job="{}",
    )  # fmt: skip
    prepared = prepare(order, Path(index), workers)
    tasks = tasks_of(prepared.choices.found.values(), prepared.work.jobs)
    since = time.perf_counter()
    return sum(len(done.seen) for done in crew(prepared.work, tasks, workers)), time.perf_counter() - since


if __name__ == "__main__":
    print(*screen_alone(*sys.argv[1:5], int(sys.argv[5])))
