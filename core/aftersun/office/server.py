"""Starts and stops the page: it holds the inventory, listens on this machine alone and opens the browser."""

from __future__ import annotations

import shutil
import socket
import threading
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import uvicorn

from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.private import make_folder
from aftersun.model.errors import AftersunError
from aftersun.office.guard import Guard
from aftersun.office.pages import make_app
from aftersun.office.runs import Runs, WhatIfs
from aftersun.office.work import Office

LOOPBACK = "127.0.0.1"
_NAMES = (LOOPBACK, "localhost")  # by which a browser on this machine may ask
_MOST_AT_ONCE = 200  # connections
_STOP_S = 5  # that answers under way may take when it stops


@contextmanager
def opened(inventory: Path, company_file: Path, port: int, workers: int) -> Iterator[Guard]:
    """Hold an inventory for the page while the block runs. Raises AftersunError as opening it does."""
    folder = inventory.with_name(f".{inventory.name}.office")
    Inventory.open(inventory).close()  # nobody else has it, so that what lies there is of one that was killed
    shutil.rmtree(folder, ignore_errors=True)
    make_folder(folder / "tables")
    with Inventory.shared(inventory, f"http://{LOOPBACK}:{port}/", may_use=[folder / "tables"]) as shared:
        office = Office(inventory, shared, company_file, folder)
        runs, what_ifs = Runs(office, workers), WhatIfs(office, workers)
        try:
            yield make_app(office, runs, what_ifs, frozenset(f"{name}:{port}" for name in _NAMES))
        finally:
            what_ifs.stop()
            runs.stop()
            runs.wait()
            office.close()
            shutil.rmtree(folder, ignore_errors=True)


def serve(
    inventory: Path, company_file: Path, port: int, workers: int, browse: bool, say: Callable[[str], None]
) -> None:
    """Serve the page until Ctrl-C; ``port`` 0 takes one that is free.

    Raises
    ------
    AftersunError
        If the port is in use, or the inventory cannot be opened.
    """
    with _listening(port) as listener:
        port = listener.getsockname()[1]
        address = f"http://{LOOPBACK}:{port}/"
        with opened(inventory, company_file, port, workers) as app:
            settings = uvicorn.Config(
                app,
                access_log=False,  # addresses hold what somebody looked for
                log_level="warning",
                server_header=False,
                proxy_headers=False,
                limit_concurrency=_MOST_AT_ONCE,
                timeout_graceful_shutdown=_STOP_S,
            )
            say(f"The page is at {address} on this machine; stop it with Ctrl-C.")
            if browse:
                threading.Timer(0.5, webbrowser.open, [address]).start()
            with suppress(KeyboardInterrupt):  # which it raises again once it has stopped
                uvicorn.Server(settings).run([listener])


@contextmanager
def _listening(port: int) -> Iterator[socket.socket]:
    with socket.socket() as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((LOOPBACK, port))
        except (OSError, OverflowError) as error:
            raise AftersunError(
                f"Port {port} of this machine cannot be used: another program has it, or it takes more rights.",
                "Name another one with --port, or stop the other page; nothing was changed.",
            ) from error
        yield listener
