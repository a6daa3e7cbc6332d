"""A stored run in six lines: hazards, calls, net benefit, what is recommended, who is not called, what is short."""

from __future__ import annotations

from collections.abc import Iterator

from aftersun.documents.asked import by_question
from aftersun.documents.run_view import RunView
from aftersun.model.codes import CallKind, NotCalled, Status
from aftersun.model.figures import ENGLISH
from aftersun.wording import capacity_text

_LABEL = 13


def summary(view: RunView, width: int) -> list[str]:
    """Return at most six lines of at most so many characters, each a label and figures with their words."""
    return [_cut(f"{label:<{_LABEL}}{'; '.join(parts)}", width) for label, parts in _lines(view)]


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else f"{text[: width - 1].rstrip()}…"


def _lines(view: RunView) -> Iterator[tuple[str, list[str]]]:
    calls, listed = view.calls(), view.table("call")
    known = view.to_tell()["site_id"]
    hazards, by_letter = known.nunique(), int((listed["kind"] == CallKind.NOTICE).sum())
    told = [f"at {hazards:,} sites: notify these owners", *([f"{by_letter:,} by letter"] if by_letter else [])]
    yield "hazards", told if hazards else ["none recorded"]
    stopped = int((calls["kind"] == CallKind.SERVICE).sum())
    several = sum(len(view.members(offer)) > 1 for offer in calls["retrofit"])
    about = [
        f"{len(calls):,} customers",
        f"{int(calls['site_id'].isin(known).sum()):,} about hazards",
        *([f"{stopped:,} stopped systems"] if stopped else []),
        *([f"{several:,} about several retrofits"] if several else []),
    ]
    yield "calls", about
    value = view.table("run_value")
    for row in value[value["retrofit"] == ""].to_dict("records"):
        low, high = ENGLISH.number(row["npv_p90"]), ENGLISH.number(row["npv_p10"])
        total = ENGLISH.amount(row["npv"], view.currency)
        yield "net benefit", [f"{total} for all owners together", f"80 % range {low} to {high}"]
    as_it_is, if_asked = view.worth_it()
    far, passing = int((listed["excluded_reason"] == NotCalled.TOO_FAR).sum()), len(view.in_passing())
    unsure = int((view.table("ranking")["status"] == Status.TOO_UNCERTAIN).sum())
    recommended = [
        f"at {as_it_is:,} of {view.run.sites:,} sites",
        *([f"{if_asked:,} more if asked first"] if if_asked else []),
        *([f"{passing:,} in passing"] if passing else []),
        *([f"{far:,} too far"] if far else []),
        *([f"{unsure:,} offers too uncertain"] if unsure else []),
    ]
    yield "recommended", recommended
    reasons = view.excluded()
    for reason, count in reasons.head(1).items():
        yield "not called", [f"{reasons.sum():,} sites", f"most: {reason} ({count:,})"]
    capacities = view.table("run_capacity")
    names = capacities.loc[capacities["binding"].fillna(False).astype(bool), "name"]
    short = [f"short of {', '.join(map(capacity_text, names))}"] if len(names) else []
    asked = [
        f"ask first: {row['question'].partition(':')[0].rstrip('?')}? (unknown at {row['sites']:,})"
        for row in by_question(view.table("question")).head(1).to_dict("records")
    ]
    if short or asked:
        yield "this month", short + asked
