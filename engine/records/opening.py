"""Opens a record store, new or kept, and says clearly why one cannot be used."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Engine, create_engine, event, insert, inspect, make_url, select
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from engine.faults import StoreFault
from engine.records.tables import FORMAT, metadata, record_format


def open_store(place: str | Path, *, busy_ms: int = 5000) -> Engine:
    """Open a store for writing; one that is not there yet is made.

    Parameters
    ----------
    place : str or Path
        Path of an SQLite file, or the URL of a database.
    busy_ms : int
        How long to wait for another writer before giving up [ms].

    Raises
    ------
    StoreFault
        When it cannot be opened, is locked, or holds something else than records.
    """
    url = store_url(place)
    engine = create_engine(url)
    if url.get_backend_name() == "sqlite":
        _set_up_sqlite(engine, busy_ms, begin="BEGIN IMMEDIATE")
    with said(place, "opening the records"):
        if not _is_store(engine, place):
            metadata.create_all(engine)
            with engine.begin() as connection:
                connection.execute(insert(record_format), {"number": FORMAT})
    return engine


def open_kept(place: str | Path, *, busy_ms: int = 5000) -> Engine:
    """Open a store for reading; nothing is made where there is none.

    Raises
    ------
    StoreFault
        When there are no records there, or they cannot be read.
    """
    url = store_url(place)
    sqlite = url.get_backend_name() == "sqlite"
    if sqlite and not Path(url.database or "").is_file():
        message = f"{place}: there are no records (no such file)"
        raise StoreFault(message)
    engine = create_engine(url)
    if sqlite:
        _set_up_sqlite(engine, busy_ms, begin="BEGIN")
    with said(place, "opening the records"):
        if not _is_store(engine, place):
            message = f"{place}: the database is empty, it holds no records"
            raise StoreFault(message)
    return engine


def store_url(place: str | Path) -> URL:
    """Give a path as the URL of an SQLite file; a URL stays as it is."""
    if "://" not in str(place):
        return URL.create("sqlite", database=str(place))
    try:
        return make_url(str(place))
    except SQLAlchemyError:
        message = f"{place}: this is neither a path nor the URL of a database"
        raise StoreFault(message) from None


@contextmanager
def said(place: str | Path, doing: str) -> Iterator[None]:
    """Turn whatever a database raises into a `StoreFault` that says where and during what."""
    try:
        yield
    except DBAPIError as error:
        raise StoreFault(f"{place}: {doing} failed: {_plainly(error.orig)}") from error
    except (SQLAlchemyError, sqlite3.Error, OSError, OverflowError, ImportError) as error:
        raise StoreFault(f"{place}: {doing} failed: {_plainly(error)}") from error


def _plainly(error: BaseException | None) -> str:
    text = str(error).strip() or type(error).__name__
    for words, meaning in _MEANINGS.items():
        if words in text:
            return f"{meaning} ({text})"
    return text


_MEANINGS = {
    "file is not a database": "the file is something else than records",
    "database is locked": "another program holds the records locked",
    "unable to open database file": "the folder is missing or may not be written to",
    "attempt to write a readonly database": "the file may not be written to",
    "database or disk is full": "the disk is full",
}


def _is_store(engine: Engine, place: str | Path) -> bool:
    """Tell a store from an empty database; anything else is a fault."""
    names = set(inspect(engine).get_table_names())
    if not names:
        return False
    if "record_format" not in names:
        message = f"{place}: this database holds something else than records"
        raise StoreFault(message)
    with engine.connect() as connection:
        number = connection.execute(select(record_format.c.number)).scalar()
    if number is None:
        message = f"{place}: making the records was broken off; delete the file and start again"
        raise StoreFault(message)
    if number != FORMAT:
        message = f"{place}: the records have format {number}; this version reads format {FORMAT}"
        raise StoreFault(message)
    return True


def _set_up_sqlite(engine: Engine, busy_ms: int, begin: str) -> None:
    """Make every connection durable, and let our own BEGIN open each transaction."""

    @event.listens_for(engine, "connect")
    def on_connect(connection: Any, _: Any) -> None:
        connection.isolation_level = None
        cursor = connection.cursor()
        for pragma in (
            f"busy_timeout={int(busy_ms)}",
            "journal_mode=WAL",
            "synchronous=FULL",
            "foreign_keys=ON",
        ):
            cursor.execute(f"PRAGMA {pragma}")
        cursor.close()

    @event.listens_for(engine, "begin")
    def on_begin(connection: Any) -> None:
        connection.exec_driver_sql(begin)
