"""Which files one site walks through, from its tables to the call sheet, page and letter.

    python tests/benchmarks/files_entered.py [--list]

Of an invented site, each step is its command in this process; counted is every file of the program in which a function
runs. Prints the count of each step, of all together, and by package.
"""

from __future__ import annotations

import contextlib
import io
import sys
import tempfile
from collections import Counter
from pathlib import Path
from types import FrameType

from aftersun import cli

PACKAGES = ("aftersun", "aftersun_retrofits", "aftersun_datasets", "aftersun_reports")
SITE = "S0160"
TABLES = ("customer", "tariff", "site")


def steps(folder: Path) -> dict[str, list[str]]:
    """Return the command of each step, in order."""
    inventory, tables = str(folder / "one.duckdb"), folder / "demo" / "tables"
    company = str(folder / "demo" / "company.toml")
    return {
        "demo": ["demo", str(folder / "demo")],
        "create": ["inventory", "create", inventory],
        "load": ["inventory", "load", inventory, *(str(tables / f"{name}.csv") for name in TABLES)],
        "load arrays": ["inventory", "load", inventory, str(tables / "array.csv")],
        "rank": ["rank", inventory, "--company", company, "--as-of", "2026-06-01", "--workers", "1"],
        "calls": ["calls", inventory],
        "explain": ["explain", inventory, SITE],
        "write": ["write", inventory, "--to", str(folder / "out")],
    }


def entered(command: list[str]) -> set[Path]:
    """Run a command and return the files of the program that it entered."""
    files: set[str] = set()

    def note(frame: FrameType, event: str, _argument: object) -> None:
        if event == "call":
            files.add(frame.f_code.co_filename)

    before = sys.argv
    sys.argv = ["aftersun", *command]
    said = io.StringIO()
    sys.setprofile(note)
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            cli.main()
    except SystemExit as end:
        if end.code not in (0, 3, None):
            raise RuntimeError(said.getvalue()) from end
    finally:
        sys.setprofile(None)
        sys.argv = before
    return {path for path in map(Path, files) if set(path.parts) & set(PACKAGES)}


def only(site: str, tables: Path) -> None:
    """Leave one site in the tables."""
    for name in ("site", "array"):
        file = tables / f"{name}.csv"
        header, *rows = file.read_text(encoding="utf-8").splitlines(keepends=True)
        file.write_text(header + "".join(row for row in rows if site in row.split(",")), encoding="utf-8")


def main() -> None:
    """Walk and print."""
    everything: set[Path] = set()
    with tempfile.TemporaryDirectory() as folder:
        for name, command in steps(Path(folder)).items():
            files = entered(command)
            if name == "demo":  # makes the tables, no step of the walk
                only(SITE, Path(folder) / "demo" / "tables")
                continue
            everything |= files
            print(f"{name:12} {len(files):4}")
    print(f"{'together':12} {len(everything):4}")
    for package, count in sorted(Counter(_package(path) for path in everything).items()):
        print(f"  {package:28} {count:4}")
    if "--list" in sys.argv:
        print("\n".join(sorted(str(Path(*path.parts[-4:])) for path in everything)))


def _package(path: Path) -> str:
    at = max(place for place, part in enumerate(path.parts) if part in PACKAGES)
    return "/".join(path.parts[at : at + 3][:-1]) if len(path.parts) - at > 2 else path.parts[at]


if __name__ == "__main__":
    main()
