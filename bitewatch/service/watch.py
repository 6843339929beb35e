"""The running service: one process owns the data folder, and one job ticks."""

import fcntl
import logging
import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC
from pathlib import Path
from typing import Any

from bitewatch.service.tick import Service
from bitewatch.store.database import make_folder

log = logging.getLogger(__name__)

LOCK_NAME = "watch.lock"


@contextmanager
def owning(folder: Path) -> Iterator[None]:
    """Own a data folder for as long as the block runs; stands by while another process does."""
    make_folder(folder)
    with (folder / LOCK_NAME).open("a") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            log.warning("another bitewatch watches with %s; standing by", folder)
            fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def stop_signals() -> int:
    """A file descriptor that can be read from once SIGTERM or SIGINT came.

    The system may hand a signal to any thread, while Python's own handlers run in the main thread only once it wakes:
    a main thread that waits for a lock may then sleep on. A byte in a pipe wakes it whoever took the signal.
    """
    reader, writer = os.pipe()
    os.set_blocking(writer, False)
    signal.set_wakeup_fd(writer)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: None)  # the byte is what counts
    return reader


def run(service: Service) -> None:
    """Tick until SIGTERM or SIGINT; what is in flight is finished first."""
    from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED
    from apscheduler.schedulers.background import BackgroundScheduler

    told_to_stop = stop_signals()
    scheduler = BackgroundScheduler(
        timezone=UTC, job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None}
    )

    def told(event: Any) -> None:
        if event.code == EVENT_JOB_ERROR:
            log.error("a tick failed; the next one goes on: %s", event.exception)
        elif event.code == EVENT_JOB_MAX_INSTANCES:
            log.info("a tick was still running when the next was due")
        else:
            log.warning("a tick was missed")

    scheduler.add_listener(told, EVENT_JOB_ERROR | EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES)
    seconds = service.settings.config.service.tick_seconds
    try:
        service.tick()  # what is due at the start does not wait for the first interval
    except Exception:
        log.exception("the first tick failed; the next one goes on")
    scheduler.add_job(service.tick, "interval", seconds=seconds, id="tick")
    scheduler.start()
    log.info("watching; a tick every %d seconds", seconds)
    os.read(told_to_stop, 1)
    scheduler.shutdown(wait=True)
    log.info("stopped")
