"""Starts and stops the page: it holds the inventory, listens on this machine alone and opens the browser."""

from __future__ import annotations

import re
import shutil
import socket
import ssl
import threading
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path

import uvicorn

from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.private import make_folder
from aftersun.model.errors import AftersunError
from aftersun.office.guard import Door, Guard
from aftersun.office.pages import make_app
from aftersun.office.runs import Runs, WhatIfs
from aftersun.office.users import Users
from aftersun.office.work import Office

LOOPBACK = "127.0.0.1"
_NAMES = (LOOPBACK, "localhost")  # by which a browser on this machine may ask
_MOST_AT_ONCE = 200  # connections
_STOP_S = 5  # that answers under way may take when it stops


@dataclass(frozen=True)
class Network:
    """How others than this machine reach the page: on which of its addresses, and by what they ask for it.

    ``address`` begins with https://; without ``certificate`` and ``key`` a proxy in front of the page has them.
    """

    listen: str
    address: str
    users: Path
    certificate: Path | None = None
    key: Path | None = None

    def door(self) -> Door:
        """Return who comes in how. Raises AftersunError if any of it cannot be used."""
        found = re.fullmatch(r"https://([\w.-]+(?::\d{1,5})?)/?", self.address.lower())
        if found is None:
            raise AftersunError(
                f"'{self.address}' is no address of a page behind TLS.",
                "Write --address as browsers ask for it, such as https://office.example:8417.",
            )
        if (self.certificate is None) != (self.key is None):
            raise AftersunError("A certificate needs its key.", "Name --certificate and --key, or neither for a proxy.")
        if self.certificate is not None:
            try:
                ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(
                    self.certificate, self.key, password=lambda: ""
                )
            except (OSError, ssl.SSLError) as error:
                raise AftersunError(
                    f"The certificate {self.certificate} and its key cannot be used.",
                    "Name files in PEM, the key without a password.",
                ) from error
        host = found[1].removesuffix(":443")
        return Door(frozenset([host]), frozenset([f"https://{host}"]), True, Users(self.users))


def loopback(port: int) -> Door:
    """Return how browsers of this machine come."""
    hosts = frozenset(f"{name}:{port}" for name in _NAMES)
    return Door(hosts, frozenset(f"http://{host}" for host in hosts))


@contextmanager
def opened(
    inventory: Path, company_file: Path, port: int, workers: int, network: Network | None = None
) -> Iterator[Guard]:
    """Hold an inventory for the page while the block runs. Raises AftersunError as opening it does."""
    door = network.door() if network else loopback(port)
    folder = inventory.with_name(f".{inventory.name}.office")
    Inventory.open(inventory).close()  # nobody else has it, so that what lies there is of one that was killed
    shutil.rmtree(folder, ignore_errors=True)
    make_folder(folder / "tables")
    address = network.address if network else f"http://{LOOPBACK}:{port}/"
    with Inventory.shared(inventory, address, may_use=[folder / "tables"]) as shared:
        office = Office(inventory, shared, company_file, folder)
        runs, what_ifs = Runs(office, workers), WhatIfs(office, workers)
        try:
            yield make_app(office, runs, what_ifs, door)
        finally:
            what_ifs.stop()
            runs.stop()
            runs.wait()
            office.close()
            shutil.rmtree(folder, ignore_errors=True)


def serve(
    inventory: Path,
    company_file: Path,
    port: int,
    workers: int,
    browse: bool,
    say: Callable[[str], None],
    network: Network | None = None,
) -> None:
    """Serve the page until Ctrl-C; ``port`` 0 takes one that is free.

    Raises
    ------
    AftersunError
        If the port is in use, or the inventory, the certificate or the file of users cannot be used.
    """
    with _listening(network.listen if network else LOOPBACK, port) as listener:
        port = listener.getsockname()[1]
        address = network.address if network else f"http://{LOOPBACK}:{port}/"
        with opened(inventory, company_file, port, workers, network) as app:
            settings = uvicorn.Config(
                app,
                access_log=False,  # addresses hold what somebody looked for
                log_level="warning",
                server_header=False,
                proxy_headers=False,
                limit_concurrency=_MOST_AT_ONCE,
                timeout_graceful_shutdown=_STOP_S,
                ssl_certfile=network.certificate if network else None,
                ssl_keyfile=network.key if network else None,
            )
            where = "on this machine" if network is None else f"from the network, by port {port} of {network.listen}"
            say(f"The page is at {address} {where}; stop it with Ctrl-C.")
            if browse:
                threading.Timer(0.5, webbrowser.open, [address]).start()
            with suppress(KeyboardInterrupt):  # which it raises again once it has stopped
                uvicorn.Server(settings).run([listener])


@contextmanager
def _listening(on: str, port: int) -> Iterator[socket.socket]:
    try:
        family = socket.AF_INET6 if ip_address(on).version == 6 else socket.AF_INET
    except ValueError:
        raise AftersunError(
            f"'{on}' is no address of this machine.", "Write --listen as a number, such as 192.168.1.10 or 0.0.0.0."
        ) from None
    with socket.socket(family) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((on, port))
        except (OSError, OverflowError) as error:
            raise AftersunError(
                f"Port {port} of this machine cannot be used: another program has it, or it takes more rights.",
                "Name another one with --port, or stop the other page; nothing was changed.",
            ) from error
        yield listener
