"""Tries many damaged files of a kind, in this process or in two of its own.

The files follow from a seed: 0, or what AFTERSUN_FUZZ_SEED says. Another seed makes other files.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack, closing
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from fuzz.damage import CALLS, WRITERS, Case, cases, company_files
from fuzz.fuzzed_inventory import FuzzedInventory, check_words
from fuzz.skies import RAIN, WEATHER, SkyCase, sky_cases
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

import aftersun_datasets
from aftersun.climate.rain_file import read_rain
from aftersun.climate.read import read_weather
from aftersun.climate.sun import hours_table
from aftersun.model.errors import AftersunError
from aftersun.money.company import load_company
from aftersun.money.letterhead import read_letterhead

_PROCESSES = 2

Outcomes = Counter[str]
Job = tuple[str, int]
"""What is tried, and how many files."""


def _try_table(kind: str, folder: Path, fuzzed: FuzzedInventory) -> Callable[[Case], str]:
    def trial(case: Case) -> str:
        path = folder / f"file.{kind}"
        report = fuzzed.try_table(case.table, path, WRITERS[kind](case, path))
        return "refused" if report is None else "with rejects" if report.rejected else "loaded"

    return trial


def _try_sky(kind: str, folder: Path) -> Callable[[SkyCase], str]:
    def trial(case: SkyCase) -> str:
        path = folder / "file.txt"
        path.write_bytes(case.content)
        try:
            if kind == "rain":
                mm = read_rain(path).mm
                assert mm is not None
                assert np.isfinite(mm).all()
                assert (mm >= 0).all()
            else:
                reading = read_weather(path)
                hours = hours_table(reading.year)
                assert len(hours) == 8760
                assert np.isfinite(hours.drop(columns="rain_mm").to_numpy()).all()
                assert len(" ".join(reading.remarks)) < 2_000
        except AftersunError as error:
            check_words(error)
            return "refused"
        return "loaded"

    return trial


def _try_calls(folder: Path, fuzzed: FuzzedInventory) -> Callable[[Case], str]:
    def trial(case: Case) -> str:
        kind = sorted(WRITERS)[case.style[1] % len(WRITERS)]
        path, rejects = folder / f"calls.{kind}", folder / "calls-rejected.csv"
        rejects.unlink(missing_ok=True)
        WRITERS[kind](case, path)
        report = fuzzed.try_calls(path, rejects)
        return "refused" if report is None else "with rejects" if report.rejected else "loaded"

    return trial


def _try_company(folder: Path) -> Callable[[bytes], str]:
    path = shutil.copytree(aftersun_datasets.path("demo"), folder / "office") / "company.toml"

    def trial(data: bytes) -> str:
        path.write_bytes(data)
        try:
            read_letterhead(load_company(path), path)
        except AftersunError as error:
            check_words(error)
            return "refused"
        return "loaded"

    return trial


def run(job: Job, shard: int = 0, fuzzed: FuzzedInventory | None = None) -> Outcomes:
    """Try so many damaged files and count what became of them.

    Raises
    ------
    AssertionError
        If any was neither read nor refused in due form. Other errors, if a reader raised them.
    """
    kind, files = job
    counts: Outcomes = Counter()
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        trial: Callable[[Any], str]
        strategy: st.SearchStrategy[Any]
        if kind in WRITERS:
            fuzzed = fuzzed or stack.enter_context(closing(FuzzedInventory(folder)))
            strategy, trial = cases(), _try_table(kind, folder, fuzzed)
        elif kind == "calls":
            fuzzed = fuzzed or stack.enter_context(closing(FuzzedInventory(folder)))
            strategy, trial = cases(of=(CALLS,)), _try_calls(folder, fuzzed)
        elif kind == "company":
            text = aftersun_datasets.path("demo/company.toml").read_text(encoding="utf-8")
            strategy, trial = company_files(text), _try_company(folder)
        else:
            strategy = sky_cases(RAIN if kind == "rain" else WEATHER, short=kind == "short weather")
            trial = _try_sky(kind, folder)

        @seed(int(os.environ.get("AFTERSUN_FUZZ_SEED", "0")) * 1_000 + shard)
        @settings(max_examples=files, deadline=None, database=None, suppress_health_check=list(HealthCheck))
        @given(strategy)
        def tried(case: Any) -> None:
            counts[trial(case)] += 1

        stack.enter_context(warnings.catch_warnings())
        warnings.simplefilter("error")  # a warning would be printed for the user to puzzle over
        warnings.simplefilter("ignore", DeprecationWarning)  # these are not
        tried()
    return counts


def _told(job: Job, shard: int) -> Outcomes | str:
    try:
        return run(job, shard)
    except BaseException:  # as text: not every error can be sent from one process to another
        return traceback.format_exc()


def run_side_by_side(jobs: Sequence[Job]) -> Outcomes:
    """Share the files of some jobs among processes and count what became of all of them. Raises as `run`."""
    halves = [((kind, files // _PROCESSES), shard) for kind, files in jobs for shard in range(_PROCESSES)]
    counts: Outcomes = Counter()
    with ProcessPoolExecutor(_PROCESSES, mp_context=get_context("spawn")) as pool:
        for told in pool.map(_told, *zip(*halves, strict=True)):
            assert isinstance(told, Counter), told
            counts += told
    return counts


if __name__ == "__main__":  # python -m fuzz.trials csv 1000
    print(run((sys.argv[1], int(sys.argv[2]))))
