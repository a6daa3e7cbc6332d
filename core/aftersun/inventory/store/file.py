"""The inventory file: made, opened and closed here; one transaction at a time; readable by its owner only.

Nothing that stands in an inventory, a view or a macro, can reach another file: DuckDB is opened without access to any,
save those that a command names, without extensions, and with its configuration locked.
"""

from __future__ import annotations

import logging
import os
import re
import shutil
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager, nullcontext, suppress
from os.path import realpath, samestat
from pathlib import Path
from tempfile import gettempdir
from types import TracebackType
from typing import BinaryIO, Self

import duckdb

from aftersun.inventory.store.migrations import holds_less, is_older, migrate, newest_version, stored_version
from aftersun.inventory.store.private import check_folder, clear_debris, put_in_place, refuse_existing, sibling, umask
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.sql import in_transaction, literal, of_the_file, quoted, scalar
from aftersun.model.errors import AftersunError, InUse

# Nothing is fetched from outside and no Python variable is read by accident.
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "python_enable_replacements": False,
    "autoload_known_extensions": False,
    "autoinstall_known_extensions": False,
    "allow_community_extensions": False,
    "allow_persistent_secrets": False,
}
# The words of the lock on POSIX systems and on Windows; a mere "lock" may stand in the path.
_HELD = re.compile(r"set lock on file|being used by another process", re.IGNORECASE)
_HOLDER = re.compile(r"(?:held in (?P<program>.+?) )?\(PID (?P<pid>\d+)\)")
_HERE = "this very process"
_HEADERS = 3 * 4096  # bytes at the beginning of a file, before its blocks
_LOCK_WAIT_S = 10.0
_LOCK_PAUSE_S = 0.1
_LOCK_SILENT_S = 1.0  # most waits are shorter and not worth telling
# What DuckDB puts beside its file: the write-ahead log, and what is left of one in a checkpoint.
BESIDE = (".wal", ".wal.checkpoint", ".wal.recovery")

_log = logging.getLogger(__name__)


class Inventory:
    """An open inventory. Use it in a ``with`` block; write only inside :meth:`transaction`.

    While one is open, every file that this process makes is readable by its owner only.
    """

    def __init__(
        self, path: Path, connection: duckdb.DuckDBPyConnection, held: ExitStack, shared: Shared | None = None
    ) -> None:
        self.path = path
        self.file = path  # that is open, for other processes; of a copy, ``path`` is where its original lies
        self._connection = connection
        self._held = held
        self._shared = shared

    @classmethod
    def create(cls, path: Path | str) -> Inventory:
        """Make a new, empty inventory and open it. It is there as a whole or not at all.

        Raises
        ------
        AftersunError
            If something stands at ``path`` already, or its folder is missing or may not be written to.
        """
        path = Path(path)
        refuse_existing(space_of(path))
        check_folder(path)
        with _trouble_said(path), making(path) as made:
            with umask(), closing(_connect(made, read_only=False)) as connection:
                migrate(connection)
                connection.execute("CHECKPOINT")  # a failure to do so at closing would not be told
            put_in_place(made, path, replace=False)
        return cls.open(path)

    @classmethod
    def open(cls, path: Path | str, read_only: bool = False, may_use: Sequence[Path] = ()) -> Inventory:
        """Open an inventory; an older one is brought up to date first, also where it is then only read.

        ``may_use`` are folders and files that SQL may read and write besides.

        Raises
        ------
        InUse
            If another process holds the file, still after ten seconds.
        AftersunError
            If there is no such file, it is not an inventory, or a newer program made it.
        """
        inventory = cls.open_as_it_is(path, read_only, may_use)
        if inventory._shared is not None:
            return inventory
        try:
            with _trouble_said(inventory.path):
                older = is_older(inventory.connection)
                if read_only and older:
                    inventory.close()
                    cls.open(path).close()
                    return cls.open_as_it_is(path, read_only, may_use)
                if not read_only and (older or holds_less(inventory.connection)):
                    migrate(inventory.connection)
        except BaseException as error:
            inventory.close()
            if isinstance(error, duckdb.CatalogException):  # say a view where a table should be
                raise refusal("foreign_layout", path=inventory.path) from error
            raise
        return inventory

    @classmethod
    def open_as_it_is(cls, path: Path | str, read_only: bool = False, may_use: Sequence[Path] = ()) -> Inventory:
        """Open an inventory in the layout that it has, older than today's or not, to copy it. Raises as ``open``."""
        path = Path(path)
        if shared := _SHARED.get(realpath(path)):
            if not set(may_use) <= shared.may_use:
                raise _in_use(path, _HERE)
            return cls(path, *shared.handle(), shared)
        check_folder(path)
        if not path.is_file():
            raise refusal("no_inventory_file", path=path)
        _check_rights(path, read_only)
        for folder in (path.parent, Path(gettempdir())):
            clear_debris(folder)
        with ExitStack() as held:
            held.enter_context(umask())
            connection = held.enter_context(closing(_connect(path, read_only, may_use)))
            _check_whole(path, connection)
            _check_version(path, connection)
            return cls(path, connection, held.pop_all())

    @classmethod
    @contextmanager
    def shared(cls, path: Path | str, address: str, may_use: Sequence[Path] = ()) -> Iterator[Shared]:
        """Hold an inventory for all threads of this process while the block runs.

        Whoever opens it in this process meanwhile, to read or to write, gets a handle of its own on the same file:
        readers see what was there when they asked and wait for nobody, writers wait for each other. ``address`` is
        where people find what holds it; another process that meets the file is told. Raises as ``open``.
        """
        path = Path(path)
        with ExitStack() as held:
            cls.open(path).close()  # that it is one, and brought up to date
            # Closed last: closing a handle takes away all locks that this process has on its file.
            source = held.enter_context(path.open("rb"))
            inventory = held.enter_context(cls.open(path, may_use=may_use))
            note = _note_of(path)
            note.unlink(missing_ok=True)
            note.write_text(f"{os.getpid()} {address}\n", encoding="utf-8")
            held.callback(note.unlink, missing_ok=True)
            shared = Shared(inventory.connection, source, frozenset(may_use))
            _SHARED[realpath(path)] = shared
            held.callback(_SHARED.pop, realpath(path))
            yield shared

    @classmethod
    @contextmanager
    def copied(
        cls, path: Path | str, beside: Path | None = None, may_use: Sequence[Path] = (), as_it_is: bool = False
    ) -> Iterator[tuple[Inventory, BinaryIO]]:
        """Give a copy of an inventory to read from for long: the file is held only while it is copied.

        With it comes the file that was copied, for :func:`is_still`. The copy lies ``beside`` the inventory, or another
        file; where none may be put there, it is the inventory itself. Raises as ``open``, or as ``open_as_it_is``.
        """
        path = Path(path)
        beside, opening = beside or path, cls.open_as_it_is if as_it_is else cls.open
        with ExitStack() as held:
            with opening(path, True, may_use) as original:
                shared = original._shared
                # Closed last: closing a handle takes away all locks that this process has on its file.
                source = shared.source if shared else held.enter_context(path.open("rb"))
                if not _may(beside.parent, os.W_OK | os.X_OK):
                    yield original, source
                    return
                made = held.enter_context(making(beside))
                if shared is not None:
                    shared.copy(path, made)
                else:
                    _copy(path, source, made)
                inventory = held.enter_context(opening(made, True, may_use))
                inventory.path = path
            yield inventory, source

    @property
    def connection(self) -> duckdb.DuckDBPyConnection:
        """The DuckDB connection, for plain SQL."""
        return self._connection

    @contextmanager
    def transaction(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """Run a block as a whole: everything in it is kept, or, after any exception, nothing.

        Raises
        ------
        AftersunError
            If the file cannot be written, for example because the disk is full.
        """
        with self._shared or nullcontext(), _trouble_said(self.path), in_transaction(self._connection):
            yield self._connection

    def close(self) -> None:
        """Close the file and let others have it."""
        self._held.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
        if isinstance(error, duckdb.PermissionException):
            raise refusal("reaches_out", path=self.path) from error
        if error is not None and of_the_file(error):
            raise refusal("file_trouble", path=self.path) from error


class Shared:
    """An inventory that this process holds for all its threads; see :meth:`Inventory.shared`.

    As a context it lets one thread write at a time; ``written`` counts how often that was done.
    """

    def __init__(self, connection: duckdb.DuckDBPyConnection, source: BinaryIO, may_use: frozenset[Path]) -> None:
        self.source = source
        self.may_use = may_use
        self.writing = threading.RLock()
        self.written = 0
        self._connection = connection
        self._opening = threading.Lock()

    def copy(self, path: Path, made: Path) -> None:
        """Copy the file at ``path`` as it stands now; nobody writes meanwhile."""
        with self.writing:
            _copy(path, self.source, made)

    def handle(self) -> tuple[duckdb.DuckDBPyConnection, ExitStack]:
        """Return a further connection to the file, and what closes it."""
        with self._opening, ExitStack() as held:
            return held.enter_context(closing(self._connection.cursor())), held.pop_all()

    def __enter__(self) -> None:
        self.writing.acquire()

    def __exit__(self, *_: object) -> None:
        self.written += 1
        self.writing.release()


_SHARED: dict[str, Shared] = {}  # by path without links


def _note_of(path: Path) -> Path:
    """Return the file beside an inventory that says where people find what holds it: number of its process, address."""
    return path.with_name(f".{path.name}.held")


def is_still(file: BinaryIO, path: Path | str) -> bool:
    """Tell whether an open file is the one at a path: nothing has taken its place, or its number, meanwhile."""
    return samestat(os.fstat(file.fileno()), Path(path).stat())


def files_beside(path: Path) -> list[Path]:
    """Return the files that DuckDB may have beside an inventory."""
    return [path.with_name(path.name + ending) for ending in BESIDE]


def space_of(path: Path) -> list[Path]:
    """Return the files that must be free to use to write a database at ``path``."""
    return [path, *files_beside(path)]


def _copy(path: Path, source: BinaryIO, made: Path) -> None:
    """Copy an inventory of which ``source`` is open, with what DuckDB has beside it."""
    try:
        with made.open("wb") as target:
            source.seek(0)
            shutil.copyfileobj(source, target)
        for name, copy in zip(files_beside(path), files_beside(made), strict=True):
            if name.exists():
                shutil.copyfile(name, copy)
    except OSError as error:
        raise refusal("file_trouble", path=path) from error


@contextmanager
def making(path: Path) -> Iterator[Path]:
    """Give a name beside ``path`` for a file that is to take its place; nothing is left of it if that fails."""
    made = sibling(path)
    try:
        yield made
    finally:
        for name in space_of(made):
            name.unlink(missing_ok=True)


def _may(path: Path, right: int) -> bool:
    return os.access(path, right, effective_ids=os.access in os.supports_effective_ids)


def _check_rights(path: Path, read_only: bool) -> None:
    if not _may(path, os.R_OK):
        raise refusal("no_right_to_read", path=path)
    if not read_only and not (_may(path, os.W_OK) and _may(path.parent, os.W_OK | os.X_OK)):
        raise refusal("no_right_to_write", path=path)


def _connect(path: Path, read_only: bool, may_use: Sequence[Path] = ()) -> duckdb.DuckDBPyConnection:
    """Connect, waiting for another process to let go of the file; for whom, is logged as a warning.

    Each process that holds it is waited for anew: where several wait, none is refused as long as it is always another's
    turn.
    """
    holder, since_s, said, replayed = "", 0.0, "", False
    while True:
        try:
            connection = duckdb.connect(str(path), read_only=read_only, config=_CONFIG)
        except duckdb.ConnectionException as error:  # the same file is open in this very process
            raise _in_use(path, _HERE) from error
        except duckdb.IOException as error:
            if not _HELD.search(str(error)):
                raise refusal("no_inventory", path=path) from error
            if address := _address(path, str(error)):  # it stays open for hours
                raise refusal("in_use_by_page", InUse, path=path, address=address) from error
            if holder != (holder := _holder(str(error))):
                since_s = time.monotonic()
            waited_s = time.monotonic() - since_s
            if waited_s >= _LOCK_WAIT_S:
                raise _in_use(path, holder) from error
            if waited_s >= _LOCK_SILENT_S and holder != said:
                _log.warning("waiting for %s, which uses the inventory %s", holder, path)
                said = holder
            time.sleep(_LOCK_PAUSE_S)
        except duckdb.Error as error:
            if replayed or not isinstance(error, duckdb.CatalogException):
                raise refusal("no_inventory", path=path) from error
            _replay_log(path)
            replayed = True
        else:
            _shut_in(connection, path, read_only, may_use)
            return connection


def _replay_log(path: Path) -> None:
    """Write the log of a file into it as far as that can be done.

    A process that is killed while it changes tables leaves a log whose functions DuckDB does not know yet when it opens
    the file as its first one.
    """
    with suppress(duckdb.Error), closing(duckdb.connect(config=_CONFIG)) as connection:
        connection.execute(f"ATTACH {literal(str(path))} AS left_by_a_kill")
        connection.execute("CHECKPOINT left_by_a_kill")


def _shut_in(connection: duckdb.DuckDBPyConnection, path: Path, read_only: bool, may_use: Sequence[Path]) -> None:
    """Take the access to all other files away for good."""
    if connection.execute("SELECT current_setting('lock_configuration')").fetchall()[0][0]:
        if may_use:  # a further handle in this process cannot be given more than the first one
            connection.close()
            raise _in_use(path, _HERE)
        return
    if not read_only:  # nobody else has the file: what lies here is left from a process that was killed
        shutil.rmtree(path.with_name(f"{path.name}.tmp"), ignore_errors=True)
    folders = [str(name) for name in may_use if name.is_dir()]
    files = [str(name) for name in may_use if not name.is_dir()]
    connection.execute("SET allowed_directories = ?", [folders])
    connection.execute("SET allowed_paths = ?", [files])
    connection.execute("SET enable_external_access = false")
    connection.execute("SET lock_configuration = true")


def _in_use(path: Path, holder: str) -> AftersunError:
    return refusal("in_use", InUse, path=path, holder=holder)


def _address(path: Path, refused: str) -> str:
    """Return where people find the process that DuckDB names in its error, "" if nowhere."""
    holder = _HOLDER.search(refused)
    try:
        pid, _, address = _note_of(path).read_text(encoding="utf-8").strip().partition(" ")
    except OSError:
        return ""
    return address if holder is not None and holder["pid"] == pid else ""


def _holder(refused: str) -> str:
    """Say which process DuckDB names in its error: number and program alone, as it names the user too."""
    holder = _HOLDER.search(refused)
    if holder is None:
        return "another process"
    program = f" ({Path(holder['program']).name})" if holder["program"] else ""
    return f"the process with PID {holder['pid']}{program} on this machine"


@contextmanager
def _trouble_said(path: Path) -> Iterator[None]:
    """Turn an error of the file itself into a sentence."""
    try:
        yield
    except duckdb.Error as error:
        if of_the_file(error):
            raise refusal("file_trouble", path=path) from error
        raise


def _check_whole(path: Path, connection: duckdb.DuckDBPyConnection) -> None:
    """Refuse a file whose end is missing: DuckDB opens it, and the next change would fill the gap with nothing.

    A file may be shorter than its blocks, as DuckDB cuts free ones off its end; then those in use are looked for.
    """
    try:
        query = "SELECT block_size, total_blocks, used_blocks FROM pragma_database_size()"
        size, total, used = connection.execute(query).fetchall()[0]
        whole_blocks = (path.stat().st_size - _HEADERS) // size
        if whole_blocks < total and (whole_blocks < used or whole_blocks <= _last_block(connection)):
            raise refusal("no_inventory", path=path)
    except duckdb.Error as error:
        raise refusal("no_inventory", path=path) from error


def _last_block(connection: duckdb.DuckDBPyConnection) -> int:
    parts = ["SELECT block_id, NULL AS additional_block_ids FROM pragma_metadata_info()"]
    for (table,) in connection.execute("SELECT table_name FROM duckdb_tables() WHERE schema_name = 'main'").fetchall():
        parts.append(f"SELECT block_id, additional_block_ids FROM pragma_storage_info({literal(quoted(table))})")
    query = f"SELECT max(greatest(block_id, list_max(additional_block_ids))) FROM ({' UNION ALL '.join(parts)})"
    last = scalar(connection, query)
    return -1 if last is None else int(last)


def _check_version(path: Path, connection: duckdb.DuckDBPyConnection) -> None:
    try:
        version = stored_version(connection)
    except (duckdb.Error, ValueError):
        version = None  # a table of that name in somebody else's file
    if version is None:
        raise refusal("other_database", path=path)
    if version > newest_version():
        raise refusal("newer_layout", path=path, version=version, newest=newest_version())
