"""The two hooks. They only register; the host then calls plain methods, one plugin at a time."""

from __future__ import annotations

import pluggy

from aftersun.model.change import Retrofit
from aftersun.model.output import Output

PROJECT = "aftersun"
ENTRY_POINTS = "aftersun.plugins"

hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


@hookspec
def aftersun_retrofits() -> list[Retrofit]:  # type: ignore[empty-body]
    """Return the retrofits that this plugin brings."""


@hookspec
def aftersun_outputs() -> list[Output]:  # type: ignore[empty-body]
    """Return the outputs that this plugin brings."""
