"""What is remembered of a lake between two looks."""

from sqlalchemy import Connection, select
from sqlalchemy.dialects.sqlite import insert

from bitewatch.service.tables import lake_fact


def read_lake_fact(connection: Connection, lake: str, name: str) -> str | None:
    """The value of a fact about a lake, or None."""
    mine = (lake_fact.c.lake == lake) & (lake_fact.c.name == name)
    value: str | None = connection.execute(select(lake_fact.c.value).where(mine)).scalar()
    return value


def set_lake_fact(connection: Connection, lake: str, name: str, value: str) -> None:
    """Write a fact about a lake, in place of an older one."""
    row = insert(lake_fact).values(lake=lake, name=name, value=value)
    keys = [lake_fact.c.lake, lake_fact.c.name]
    connection.execute(row.on_conflict_do_update(index_elements=keys, set_={"value": value}))
