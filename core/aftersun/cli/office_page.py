"""The command that opens the page which an office works in."""

from __future__ import annotations

from importlib.util import find_spec
from typing import Annotated

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
) -> None:
    """Open a page to work in with the browser, for several people at once, until Ctrl-C.

    Only this machine can reach it. While it is open, other commands on this inventory are told where it is.

    Example: aftersun open company.duckdb
    """
    if any(find_spec(name) is None for name in _NEEDED):
        raise AftersunError(
            "The page needs libraries that are not installed.", "Install them with: pip install 'aftersun[office]'"
        )
    from aftersun.office.server import serve

    file = inventory.parent / "company.toml" if company is None else company
    serve(inventory, file, port, workers, not no_browser, terminal.message)
