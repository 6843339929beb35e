"""Once a day what is kept for a time only is thinned out."""

from datetime import datetime

from bitewatch.store.database import Store
from bitewatch.store.facts import read_fact, set_fact
from bitewatch.weather.archive_room import prune_step
from bitewatch.weather.settings import ArchiveSettings


def tidy(store: Store, settings: ArchiveSettings, now: datetime) -> None:
    """Prune the archive, if that was not done today."""
    today = now.date().isoformat()
    with store.read() as connection:
        done = read_fact(connection, "tidied_on")
    if done == today:
        return
    prune_step(store, settings, now)
    with store.write() as connection:
        set_fact(connection, "tidied_on", today)
