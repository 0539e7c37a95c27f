"""A database that several threads or processes can really share."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.db import connection


@pytest.fixture
def shared_database(transactional_db: None, tmp_path: Path) -> Iterator[Path | None]:
    """The test's database, which threads open for themselves as they would in service.

    SQLite keeps a test's database in memory, where threads share one cache and lock whole tables;
    here it is copied to a file, with the settings it has in service. Any other server is shared
    as it is.
    """
    if connection.vendor != "sqlite":
        yield None
        return
    path = tmp_path / "shared.sqlite3"
    connection.ensure_connection()
    in_memory, name = connection.connection, connection.settings_dict["NAME"]
    copy = sqlite3.connect(path)
    in_memory.backup(copy)
    copy.close()
    connection.settings_dict["NAME"] = str(path)
    connection.connection = None
    try:
        yield path
    finally:
        connection.close()
        connection.settings_dict["NAME"] = name
        connection.connection = in_memory
