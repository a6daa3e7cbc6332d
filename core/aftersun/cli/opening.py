"""Opens an inventory, or its newest run, for a command."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from aftersun.documents.run_view import RunView
    from aftersun.inventory.store.file import Inventory


@contextmanager
def opened(path: Path, read_only: bool = True) -> Iterator[Inventory]:
    """Open an inventory while the block runs, to be read or, without ``read_only``, to be changed."""
    from aftersun.inventory.store.file import Inventory

    with Inventory.open(path, read_only=read_only) as inventory:
        yield inventory


@contextmanager
def newest_run(path: Path) -> Iterator[RunView]:
    """Open an inventory to read its newest run while the block runs."""
    from aftersun.documents.run_view import RunView

    with opened(path) as inventory:
        yield RunView(inventory)
