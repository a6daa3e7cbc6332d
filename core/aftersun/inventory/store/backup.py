"""Backup and restore: a checked copy of an inventory under another name, whole or not at all."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass
from pathlib import Path

import duckdb

from aftersun.inventory.store.file import Inventory, files_beside, making, space_of
from aftersun.inventory.store.private import check_folder, put_in_place, real_file, refuse_existing
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.rewrite import write_copy
from aftersun.model.errors import AftersunError, InUse


@dataclass(frozen=True)
class Copied:
    """What was copied: rows by table, and the size of the copy in bytes."""

    tables: dict[str, int]
    size: int

    @property
    def rows(self) -> int:
        """Rows of all tables."""
        return sum(self.tables.values())


def copy_inventory(
    source: Path | str,
    target: Path | str,
    replace: bool = False,
    carry_over: Callable[[Inventory | None, Path], None] = lambda _replaced, _made: None,
) -> Copied:
    """Copy an inventory as it stands, in the layout that it has, and compare the copy with it.

    Others may use the inventory meanwhile: it is held only while its bytes are copied, which are read from then on, and
    the one to be replaced only at the end. The copy is readable by its owner only.
    ``carry_over(replaced, made)`` is called with the inventory to be replaced, None where it cannot be opened, and with
    the copy before it takes that place.

    Raises
    ------
    InUse
        If another process writes to the inventory, or uses the one to be replaced.
    AftersunError
        If ``target`` exists and is not to be replaced, cannot be written, or ``source`` is no inventory.
    """
    source, target = Path(source), real_file(target)
    if not replace:
        refuse_existing(space_of(target), "Choose another name, or add --replace; nothing was changed.")
    if target.exists() and source.exists() and target.samefile(source):
        raise refusal("onto_itself")
    check_folder(target)
    there = target.exists()
    with making(target) as made:
        with Inventory.copied(source, beside=target, may_use=space_of(made), as_it_is=True) as (inventory, _):
            tables = write_copy(inventory, made)
        with _nobody_at(target) if there else nullcontext() as replaced:
            if there:
                carry_over(replaced, made)
            size = made.stat().st_size
            for name in files_beside(target):
                name.unlink(missing_ok=True)  # the log belongs to what is replaced
            put_in_place(made, target, replace)
    return Copied(tables, size)


@contextmanager
def _nobody_at(path: Path) -> Iterator[Inventory | None]:
    """Hold the file that is replaced, in today's layout, unless it is too damaged to be opened."""
    try:
        replaced = Inventory.open(path)
    except InUse:
        raise
    except AftersunError:
        yield None
        return
    with replaced:
        with suppress(duckdb.Error):  # damaged further in: it is replaced all the same
            replaced.connection.execute("CHECKPOINT")
        yield replaced
