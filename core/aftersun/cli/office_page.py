"""The command that opens the page which an office works in."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from aftersun.cli.declaring import flag, option
from aftersun.cli.options import CORES, CompanyFile, InventoryFile
from aftersun.cli.terminal import terminal
from aftersun.model.errors import AftersunError

_PORT = 8417  # of those that no standard gives to a service
_NEEDED = ("starlette", "uvicorn", "jinja2", "python_multipart")


def open_page(
    inventory: InventoryFile,
    company: CompanyFile = None,
    port: Annotated[int, option("office_page.port", min=0, max=65535, show_default=True)] = _PORT,
    no_browser: Annotated[bool, flag("office_page.no_browser", "--no-browser")] = False,
    workers: Annotated[int, option("options.workers", min=1, show_default=True)] = max(1, CORES - 1),
    listen: Annotated[str | None, option("office_page.listen", "--listen")] = None,
    address: Annotated[str, option("office_page.address", "--address")] = "",
    users: Annotated[Path | None, option("office_page.users", "--users")] = None,
    certificate: Annotated[Path | None, option("office_page.certificate", "--certificate")] = None,
    key: Annotated[Path | None, option("office_page.key", "--key")] = None,
    add_user: Annotated[str | None, option("office_page.add_user", "--add-user")] = None,
    role: Annotated[str, option("office_page.role", "--role", show_default=True)] = "office",
) -> None:
    """Open a page to work in with the browser, for several people at once, until Ctrl-C.

    Only this machine can reach it, unless --listen says otherwise: then people enter by name and password, behind TLS.
    While it is open, other commands on this inventory say where it is.

    Example: aftersun open company.duckdb
    """
    if any(find_spec(name) is None for name in _NEEDED):
        raise AftersunError(
            "The page needs libraries that are not installed.", "Install them with: pip install 'aftersun[office]'"
        )
    if add_user is not None:
        from aftersun.office.users import add_user as put_in

        where = users or inventory.with_name("users.toml")
        put_in(where, add_user, role, typer.prompt("Password", hide_input=True, confirmation_prompt=True, err=True))
        terminal.message(f"{add_user} is in {where}, as {role}.")
        return
    from aftersun.office.server import Network, serve

    network = None
    if listen is not None:
        if not address or users is None:
            raise AftersunError(
                "On a network it is said who comes in, and how.",
                "Add --users FILE (made with --add-user NAME) and --address https://..., as browsers ask for it.",
            )
        network = Network(listen, address, users, certificate, key)
    elif address or certificate or key:
        raise AftersunError("Only this machine reaches the page.", "Add --listen ADDRESS to open it to a network.")
    file = inventory.parent / "company.toml" if company is None else company
    serve(inventory, file, port, workers, not no_browser and network is None, terminal.message, network)
