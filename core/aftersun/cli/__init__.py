"""The command line: parse, call, print. No computation."""

from __future__ import annotations

import os


def main() -> None:
    """Run the program; expected errors end as one sentence and a documented exit code."""
    # Matrices are small here, and a run has a process for each core: more threads would wait for one another.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from aftersun.cli.app import run

    run()
