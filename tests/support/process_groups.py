"""What is left of a process and all that it started."""

import os
import signal
import time


def nobody_left(group: int) -> bool:
    """Whether the run's session is empty within ten seconds."""
    for _ in range(200):
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.05)
    os.killpg(group, signal.SIGKILL)
    return False
