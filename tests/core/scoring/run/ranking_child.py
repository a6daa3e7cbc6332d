"""Ranks on command, so that a test can kill it: everything is imported before it says that it is ready.

A line in: JSON with the inventory, the company file and what else the settings have. Lines out: "ready", then "begun"
and one number a chunk for each run, then "ended" and its exit code.
"""

from __future__ import annotations

import json
import signal
import sys
from pathlib import Path

from run_support import AS_OF

from aftersun.model.errors import AftersunError
from aftersun.scoring.run.rank import Settings, rank


def main() -> None:
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's children in the background ignore it
    print("ready", flush=True)
    for line in sys.stdin:
        given = json.loads(line)
        inventory, company = Path(given.pop("inventory")), Path(given.pop("company"))
        if "plugin_folder" in given:
            given["plugin_folder"] = Path(given["plugin_folder"])
        print("begun", flush=True)
        code = 0
        try:
            rank(inventory, Settings(company, AS_OF, **given), lambda done, _total: print(done, flush=True))
        except AftersunError as error:
            print(error, file=sys.stderr)
            code = error.exit_code
        print("ended", code, flush=True)


if __name__ == "__main__":
    main()
