"""The rules of the kit without pytest, for a plugin that is one file and for a first look."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from aftersun.model.retrofit import Retrofit
from aftersun.testing.conformance import RetrofitConformance, seconds_per_1000_sites

__all__ = ["Verdict", "seconds_per_1000_sites", "verdicts"]

_ONLY_TOLD = "test_time_per_1000_sites_is_told"


@dataclass(frozen=True)
class Verdict:
    """One rule in words, and what to do about it; ``problem`` is empty if it is kept."""

    rule: str
    problem: str


def verdicts(retrofit: Retrofit, only: str = "test_") -> Iterator[Verdict]:
    """Yield each rule that every retrofit keeps, in the order of the kit; of those only what begins with ``only``."""
    for name in vars(RetrofitConformance):
        if name.startswith(only) and name.startswith("test_") and name != _ONLY_TOLD:
            case = RetrofitConformance()
            case.retrofit = retrofit
            problem = ""
            try:
                getattr(case, name)()
            except AssertionError as error:
                problem = str(error)
            except Exception as error:  # a plugin may raise anything
                problem = f"it raises {type(error).__name__}: {error}"
            yield Verdict(name.removeprefix("test_").replace("_", " "), problem)
