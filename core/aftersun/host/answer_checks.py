"""Checks each answer of a retrofit before anybody uses it: shapes, units, limits, choices."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import fields
from typing import Any

import numpy as np
import numpy.typing as npt

import aftersun_datasets
from aftersun.model.change import (
    ACCESS,
    ACCESS_TO,
    AT_END,
    COST_KINDS,
    DOES_NOT_FIT,
    FITS,
    GAIN_KINDS,
    LABOUR,
    NEEDED,
    SEVERITIES,
    SURVEY_FIRST,
    YEARLY_KINDS,
    Change,
    CostLine,
    NewArray,
    Note,
    Notes,
    Screening,
)
from aftersun.model.plant import PER_ARRAY, Plant

# What numeric plant columns may hold, where it is not 0 to 1 for a loss, or 0 or more.
_LIMITS = {row["column"]: (float(row["low"]), float(row["high"])) for row in aftersun_datasets.rows("plant_limits.csv")}
_TYPES = {column.name: column.type for column in fields(Plant)}
ANY_TEXT: Mapping[str, Collection[str]] = {}
_UNLIMITED = "export_limit_kw"  # the only column in which infinity has a meaning
_MOST = 1e7  # assumption: more of anything at one site, a year's kWh for one, is a slip
_MOST_FADE = 1e3  # assumption: times the first year's effect
_BYTES = 8  # of a number, at most
_LAST_YEAR = 100  # that a cost may come in


class PluginError(Exception):
    """What a plugin brings or answers and what cannot be used."""


def check_screening(answer: Screening, size: int) -> None:
    """Raise PluginError unless every site has a known status and every status but FITS a reason."""
    _record("screen returned", answer, Screening)
    _shape("status", answer.status, (size,))
    _shape("reason", answer.reason, (size,))
    _texts("reason", answer.reason.tolist())
    unknown = sorted({str(status) for status in answer.status} - {FITS, SURVEY_FIRST, DOES_NOT_FIT})
    require(not unknown, f"screen returned the unknown status {unknown[:3]}")
    bare = sum(status != FITS and not reason for status, reason in zip(answer.status, answer.reason, strict=True))
    require(bare == 0, f"screen gave no reason for {bare} sites that do not simply fit")


def check_notes(answer: Notes, size: int) -> None:
    """Raise PluginError unless every site has at least one safety note with text, severity and who may do it."""
    _record("safety returned", answer, Notes)
    _list("entries of Notes", answer.entries)
    require(answer.size == size, f"safety answered for {answer.size} sites, asked for {size}")
    covered = np.zeros(size, dtype=bool)
    for note, mask in answer.entries:
        _record("safety gave as a note", note, Note)
        _texts("a note", [note.id, note.severity, note.text, note.who, note.source])
        require(type(note.tell_owner) is bool, f"note '{note.id}' has to say in tell_owner True or False")
        _shape(f"note '{note.id}'", mask, (size,))
        require(mask.dtype == np.bool_, f"note '{note.id}' has to come with an array of yes or no")
        require(note.severity in SEVERITIES, f"note '{note.id}' has the unknown severity '{note.severity}'")
        require(bool(note.text.strip() and note.who.strip()), f"note '{note.id}' lacks its text or who may do it")
        covered |= mask
    require(bool(covered.all()), f"safety gave no note for {int((~covered).sum())} sites")


def check_change(
    answer: Change,
    size: int,
    arrays: int,
    price_items: Sequence[str],
    choices: Mapping[str, Collection[str]] = ANY_TEXT,
    before: Plant | None = None,
) -> None:
    """Raise PluginError unless the plant, cost lines, fade and remarks have the right shapes, units and limits.

    Columns that are still those of the plant ``before`` are right.
    """
    _record("change returned", answer, Change)
    _texts("label", [answer.label])
    for said, plant in (("plant", answer.plant), ("today", answer.today)):
        if plant is not None or said == "plant":
            _plant(said, plant, size, arrays, choices, before)
    _list("added", answer.added)
    for one in answer.added:
        _new_array(one, size, choices)
    _lines("costs", answer.costs, (*COST_KINDS, *GAIN_KINDS), size, price_items)
    _lines("yearly", answer.yearly, YEARLY_KINDS, size, price_items)
    if answer.fade is not None:
        _numbers("fade", answer.fade)
        require(answer.fade.ndim in (1, 2), "fade has to have the shape (years,) or (sites, years)")
        if answer.fade.ndim == 2:
            require(answer.fade.shape[0] == size, f"fade is for {answer.fade.shape[0]} sites, asked for {size}")
        within = bool((np.abs(answer.fade) <= _MOST_FADE).all())  # NaN fails
        require(within, f"fade leaves {-_MOST_FADE:g}..{_MOST_FADE:g} or holds a value that is not a number")
    if answer.remarks is not None:
        _shape("remarks", answer.remarks, (size,))
        _texts("remarks", answer.remarks.tolist())
    if answer.plant_life_years is not None:
        _shape("plant_life_years", answer.plant_life_years, (size,))
        _numbers("plant_life_years", answer.plant_life_years)
        life = (answer.plant_life_years >= 0) & (answer.plant_life_years <= _LAST_YEAR)  # NaN fails both
        require(bool(life.all()), f"plant_life_years leaves 0..{_LAST_YEAR} or holds a value that is not a number")
    if answer.available is not None:
        _shape("available", answer.available, (size,))
        require(answer.available.dtype == np.bool_, "available has to be an array of yes or no")
    _list("alternatives", answer.alternatives)
    for alternative in answer.alternatives:
        _record("an alternative is", alternative, Change)
        require(bool(alternative.label), "each alternative needs a label")
        require(not alternative.alternatives, f"the alternative '{alternative.label}' has alternatives of its own")
        check_change(alternative, size, arrays, price_items, choices, before)


def _plant(
    said: str, plant: Plant | None, size: int, arrays: int, choices: Mapping[str, Collection[str]], before: Plant | None
) -> None:
    _record("change returned as a plant" if said == "plant" else f"change returned as {said}", plant, Plant)
    for column in fields(Plant):
        values = getattr(plant, column.name)
        if before is not None and values is getattr(before, column.name) and not values.flags.writeable:
            continue
        _column(f"{said}.{column.name}", column.name, values, arrays if column.name in PER_ARRAY else size, choices)
    if plant is not None:
        _standing(plant.tilt_positions, plant.backtracks)


def _column(said: str, name: str, values: npt.NDArray[Any], size: int, choices: Mapping[str, Collection[str]]) -> None:
    """Hold a column of a plant to its shape, its limits and its choices."""
    _shape(said, values, (size,))
    if _TYPES[name] == "Texts":
        _texts(said, values.tolist(), choices.get(name))
        return
    _numbers(said, values)
    low, high = _LIMITS.get(name, (0.0, 1.0 if name.endswith("_loss") else _MOST))
    bad = ~((values >= low) & (values <= min(high, _MOST)))  # NaN fails both
    if name == _UNLIMITED:
        bad &= ~np.isposinf(values)
    require(not bad.any(), f"{said} leaves {low:g}..{high:g} or is not a number in {int(bad.sum())} places")


def _standing(positions: npt.NDArray[Any], backtracks: npt.NDArray[Any]) -> None:
    """Hold how planes stand to what there is."""
    require(bool(np.isin(positions, (1, 2, 4)).all()), "plant.tilt_positions has to be 1, 2 or 4")
    require(bool(np.isin(backtracks, (0, 1)).all()), "plant.backtracks has to be 0 or 1")


def _new_array(one: NewArray, size: int, choices: Mapping[str, Collection[str]]) -> None:
    _record("added holds", one, NewArray)
    strange = sorted(set(one.columns) - set(PER_ARRAY))
    require(not strange, f"added: the plant has no column {', '.join(map(repr, strange[:3]))} of an array")
    missing = [name for name in NEEDED if name not in one.columns]
    require(not missing, f"added: a new array has to say its {', '.join(missing)}")
    for name, values in one.columns.items():
        _column(f"added {name}", name, values, size, choices)
    of = one.columns.get
    _standing(of("tilt_positions", np.ones(size)), of("backtracks", np.zeros(size)))


def _lines(name: str, lines: Sequence[CostLine], kinds: Sequence[str], size: int, price_items: Sequence[str]) -> None:
    _list(name, lines)
    for line in lines:
        _record(f"{name} holds", line, CostLine)
        _texts(name, [line.kind, line.item, line.unit, line.note, line.shared_work])
        require(line.kind in kinds, f"{name}: '{line.kind}' is not one of {', '.join(kinds)}")
        require(bool(line.unit), f"{name}: '{line.item}' has no unit")
        _shape(f"{name} '{line.item}'", line.quantity, (size,))
        _numbers(f"{name} '{line.item}'", line.quantity)
        bad = ~((line.quantity >= 0) & (line.quantity <= _MOST))  # NaN fails both
        leaves = f"{name}: '{line.item}' has {int(bad.sum())} quantities below 0, above {_MOST:g} or not a number"
        require(not bad.any(), leaves)
        ending = line.in_year == AT_END and line.kind in GAIN_KINDS
        later = type(line.in_year) is int and (0 <= line.in_year <= _LAST_YEAR or ending)
        require(later, f"{name}: '{line.item}' is for year {line.in_year}")
        require(name == "costs" or line.in_year == 0, f"{name}: '{line.item}' comes every year, not in one of them")
        once = name == "costs" and line.kind not in GAIN_KINDS
        require(once or not line.if_found, f"{name}: '{line.item}' cannot depend on a finding, only what is paid once")
        reached = line.kind != ACCESS or line.item in ACCESS_TO
        require(reached, f"{name}: access is to {', '.join(map(repr, ACCESS_TO))}, not to '{line.item}'")
        known = line.kind in (LABOUR, ACCESS) or line.item in price_items
        require(known, f"{name}: '{line.item}' is not among the declared price items")


def _record(said: str, value: object, kind: type) -> None:
    """Hold a value to a record of the interface itself: one of a kind derived from it may change once it is checked."""
    require(type(value) is kind, f"{said} {type(value).__name__}, not a {kind.__name__}")


def _list(name: str, values: object) -> None:
    require(type(values) in (list, tuple), f"{name} has to be a list or tuple, found {type(values).__name__}")


def _shape(name: str, values: npt.NDArray[np.generic], shape: tuple[int, ...]) -> None:
    require(type(values) is np.ndarray, f"{name} has to be a numpy array, found {type(values).__name__}")
    require(values.shape == shape, f"{name} has the shape {values.shape}, expected {shape}")


def _numbers(name: str, values: npt.NDArray[np.generic]) -> None:
    numbers = type(values) is np.ndarray and values.dtype.kind in "fiub" and values.dtype.itemsize <= _BYTES
    require(numbers and values.dtype.isnative, f"{name} has to be an array of numbers, found {_what(values)}")


def _texts(name: str, values: Sequence[object], allowed: Collection[str] | None = None) -> None:
    others = sorted({_what(value) for value in values if not isinstance(value, str)})
    require(not others, f"{name} has to hold texts, found {', '.join(others[:3])}")
    "".join(map(str, values)).encode()  # raises where half a character stands, which no file can hold
    unknown = sorted(set(map(str, values)) - set(allowed)) if allowed is not None else []
    require(not unknown, f"{name} holds {unknown[:3]}, which is none of its choices")


def _what(value: object) -> str:
    return f"an array of {value.dtype}" if isinstance(value, np.ndarray) else type(value).__name__


def require(holds: bool, message: str) -> None:
    """Raise PluginError unless it holds."""
    if not holds:
        raise PluginError(message)
