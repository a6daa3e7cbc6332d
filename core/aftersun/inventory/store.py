"""The inventory file: made, opened and closed here; one transaction at a time; readable by its owner only."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

import duckdb

from aftersun.inventory.migrations import migrate, newest_version, stored_version
from aftersun.model.errors import AftersunError, InUse

# Nothing is fetched from outside and no Python variable is read by accident.
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "python_enable_replacements": False,
    "autoload_known_extensions": False,
    "autoinstall_known_extensions": False,
}
# The words of the lock on POSIX systems and on Windows; a mere "lock" may stand in the path.
_HELD = re.compile(r"set lock on file|being used by another process", re.IGNORECASE)
_LOCK_TRIES = 5
_LOCK_PAUSE_S = 0.2


class Inventory:
    """An open inventory. Use it in a ``with`` block; write only inside :meth:`transaction`."""

    def __init__(self, path: Path, connection: duckdb.DuckDBPyConnection) -> None:
        self.path = path
        self._connection = connection

    @classmethod
    def create(cls, path: Path | str) -> Inventory:
        """Make a new, empty inventory and open it.

        Raises
        ------
        AftersunError
            If something stands at ``path`` already, or its folder is missing or may not be written to.
        """
        path = Path(path)
        if path.exists():
            raise AftersunError(f"{path} exists already.", "Choose another name; nothing was changed.")
        _check_folder(path)
        with _private_files():
            connection = _connect(path, read_only=False)
            try:
                migrate(connection)
            except BaseException:
                connection.close()
                path.unlink(missing_ok=True)
                raise
        return cls(path, connection)

    @classmethod
    def open(cls, path: Path | str, read_only: bool = False) -> Inventory:
        """Open an inventory; an older one is brought up to date unless ``read_only``.

        Raises
        ------
        InUse
            If another process holds the file.
        AftersunError
            If there is no such file, it is not an inventory, or a newer program made it.
        """
        path = Path(path)
        _check_folder(path)
        if not path.is_file():
            raise AftersunError(f"There is no inventory file {path}.", "Check the path, or create an inventory first.")
        with _private_files():
            connection = _connect(path, read_only)
            try:
                _bring_up_to_date(path, connection, read_only)
            except BaseException:
                connection.close()
                raise
        return cls(path, connection)

    @property
    def connection(self) -> duckdb.DuckDBPyConnection:
        """The DuckDB connection, for plain SQL."""
        return self._connection

    @contextmanager
    def transaction(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """Run a block as a whole: everything in it is kept, or, after any exception, nothing."""
        with _private_files():
            self._connection.execute("BEGIN")
            try:
                yield self._connection
            except BaseException:
                self._connection.execute("ROLLBACK")
                raise
            self._connection.execute("COMMIT")

    def close(self) -> None:
        """Close the file and let others have it."""
        with _private_files():
            self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


@contextmanager
def _private_files() -> Iterator[None]:
    # DuckDB makes its file, and a log beside it at the first write, with the process's usual rights.
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)


def _check_folder(path: Path) -> None:
    if not path.parent.is_dir():
        raise AftersunError(f"There is no folder {path.parent}.", "Make the folder first, or correct the path.")


def _connect(path: Path, read_only: bool) -> duckdb.DuckDBPyConnection:
    """Connect, waiting a moment if another process is about to let go of the file."""
    for attempt in range(1, _LOCK_TRIES + 1):
        try:
            return duckdb.connect(str(path), read_only=read_only, config=_CONFIG)
        except duckdb.ConnectionException as error:  # the same file is open in this very process
            raise _in_use(path, str(os.getpid())) from error
        except duckdb.IOException as error:
            if not _HELD.search(str(error)):
                raise _unreadable(path) from error
            if attempt == _LOCK_TRIES:
                holder = re.search(r"PID (\d+)", str(error))
                raise _in_use(path, holder.group(1) if holder else "") from error
            time.sleep(_LOCK_PAUSE_S)
        except duckdb.Error as error:
            raise _unreadable(path) from error
    raise AssertionError("unreachable")


def _in_use(path: Path, pid: str) -> InUse:
    holder = f"the process with PID {pid}" if pid else "another process"
    return InUse(
        f"The inventory {path} is in use by {holder}.",
        "Close it or wait, then try again; nothing was changed.",
    )


def _unreadable(path: Path) -> AftersunError:
    return AftersunError(
        f"{path} cannot be opened as an inventory.",
        "Check that it is an inventory of this program and that you may read and write it.",
    )


def _bring_up_to_date(path: Path, connection: duckdb.DuckDBPyConnection, read_only: bool) -> None:
    try:
        version = stored_version(connection)
    except (duckdb.Error, ValueError):
        version = None  # a table of that name in somebody else's file
    if version is None:
        raise AftersunError(f"{path} is a DuckDB file, but not an inventory.", "Check the path; nothing was changed.")
    if version > newest_version():
        raise AftersunError(
            f"{path} was made by a newer program (layout {version}, known up to {newest_version()}).",
            "Install the newer version of the program; nothing was changed.",
        )
    if version < newest_version():
        if read_only:
            raise AftersunError(
                f"{path} has an older layout ({version}) and was opened for reading only.",
                "Run any command that changes the inventory, for example a load, to bring it up to date.",
            )
        migrate(connection)
