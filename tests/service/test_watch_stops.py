"""A running service ends on a signal, whichever of its threads the system hands the signal to."""

import subprocess
import sys

import pytest

WATCHING = """
import logging, os, signal, threading
from types import SimpleNamespace
from bitewatch.service.watch import run

logging.basicConfig(level=logging.INFO)
ticks = []

def tick():
    ticks.append(threading.current_thread())
    if len(ticks) == int(os.environ["AT_TICK"]):
        signal.pthread_kill(threading.get_ident(), getattr(signal, os.environ["SIGNAL"]))

config = SimpleNamespace(service=SimpleNamespace(tick_seconds=0.2))
run(SimpleNamespace(tick=tick, settings=SimpleNamespace(config=config)))
print(ticks[-1] is threading.main_thread())
"""


@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT"])
@pytest.mark.parametrize(("at_tick", "in_main_thread"), [(1, True), (3, False)])
def test_a_signal_ends_it_whichever_thread_takes_it(name: str, at_tick: int, in_main_thread: bool) -> None:
    done = subprocess.run(
        [sys.executable, "-c", WATCHING], env={"AT_TICK": str(at_tick), "SIGNAL": name}, capture_output=True, text=True,
        timeout=30,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (0, f"{in_main_thread}\n")
    assert done.stderr.endswith("stopped\n")
