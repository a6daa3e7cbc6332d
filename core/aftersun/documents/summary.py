"""A stored run in ten lines: what it comes to, whom to tell, whom to call, what is in the way."""

from __future__ import annotations

from collections.abc import Iterator

from aftersun.documents.asked import by_question
from aftersun.documents.run_view import RunView
from aftersun.model.codes import CallKind, NotCalled, Status
from aftersun.model.figures import ENGLISH
from aftersun.wording import capacity_text, status_text

LINE_WIDTH = 80
_LABEL = 15


def summary(view: RunView) -> list[str]:
    """Return at most ten lines of at most 80 characters, each a label and a figure with its words."""
    return [f"{label:<{_LABEL}}{_cut(text)}" for label, text in _lines(view)]


def _cut(text: str) -> str:
    most = LINE_WIDTH - _LABEL
    return text if len(text) <= most else f"{text[: most - 3].rstrip()}..."


def _lines(view: RunView) -> Iterator[tuple[str, str]]:
    calls, currency = view.calls(), view.currency
    yield "sites", f"{view.run.sites:,} valued, {len(view.table('call')):,} in the inventory"
    listed = view.table("call")
    dangers, by_notice = view.to_tell()["site_id"].nunique(), int((listed["kind"] == CallKind.NOTICE).sum())
    told = f"at {dangers:,} sites: tell these owners, {by_notice:,} of them by notice"
    yield "known dangers", told if dangers else "none recorded"
    worth, if_asked = view.worth_it()
    far = int((listed["excluded_reason"] == NotCalled.TOO_FAR).sum())
    passing = len(view.in_passing())
    good = [f"at {worth:,} sites"]
    good += [f"at {if_asked:,} more if asked first"] if if_asked else []
    good += [f"{passing:,} in passing"] if passing else []
    good += [f"{far:,} too far"] if far else []
    yield "worth it", "; ".join(good)
    value = view.table("run_value")
    for row in value[value["retrofit"] == ""].to_dict("records"):
        yield (
            "together",
            f"{ENGLISH.amount(row['npv'], currency)}; P90 {ENGLISH.number(row['npv_p90'])}, "
            f"P10 {ENGLISH.number(row['npv_p10'])}",
        )
    parts = value[value["retrofit"] != ""].sort_values("offers", ascending=False, kind="stable").head(3)
    if len(parts):
        titles = view.titles()
        most = (f"{titles.get(row['retrofit'], row['retrofit'])} {row['offers']:,}" for row in parts.to_dict("records"))
        yield "most often", ", ".join(most)
    unsure = (view.table("ranking")["status"] == Status.TOO_UNCERTAIN).sum()
    if unsure:
        yield status_text(Status.TOO_UNCERTAIN), f"{unsure:,} offers held back: too small a chance of a gain"
    must = int(calls["must_call"].fillna(False).sum())
    several = sum(len(view.members(offer)) > 1 for offer in calls["retrofit"])
    still = int((calls["kind"] == CallKind.SERVICE).sum())
    about = [f"{must:,} of them for safety", *([f"{still:,} stand still"] if still else [])]
    yield "to call", f"{len(calls):,} customers, {', '.join(about)}, {several:,} about several retrofits"
    for reason, count in view.excluded().head(1).items():
        yield "not called", f"{view.excluded().sum():,} sites; most: {reason} ({count:,})"
    asked = by_question(view.table("question"))
    for row in asked.head(1).to_dict("records"):
        yield "to ask first", f"{row['question']} (unknown at {row['sites']:,})"
    short = view.table("run_capacity")
    names = short.loc[short["binding"].fillna(False).astype(bool), "name"]
    if len(names):
        yield "short of", ", ".join(map(capacity_text, names))
