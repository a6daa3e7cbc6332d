"""Fetching typical years: saved answers on this machine's own loopback, and everything that can go wrong."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pandas as pd
import pytest
from loopback import Service, serving
from weather_support import as_json, pvgis_tmy

from aftersun.climate.fetch import fetch_pvgis
from aftersun.climate.read import ReadingOptions, read_weather
from aftersun.model.errors import AftersunError


@pytest.fixture
def service(monkeypatch: pytest.MonkeyPatch) -> Iterator[Service]:
    monkeypatch.setenv("NO_PROXY", "*")
    with serving() as made:
        yield made


@pytest.fixture(scope="module")
def saved() -> str:
    return as_json(pvgis_tmy())


@pytest.mark.slow
def test_year_is_that_of_the_same_file(service: Service, saved: str, tmp_path: Path) -> None:
    service.answer(saved)
    reading = fetch_pvgis(45.0, 8.0, url=service.url)
    path = tmp_path / "saved.json"
    path.write_text(saved, encoding="utf-8")
    same = read_weather(path)
    assert (reading.year.ghi == same.year.ghi).all()
    assert reading.year.station.source == "PVGIS typical year (PVGIS-SARAH3)"
    assert reading.remarks == same.remarks


@pytest.mark.slow
def test_only_the_place_is_sent(service: Service, saved: str) -> None:
    service.answer(saved)
    fetch_pvgis(45.0, 8.0, url=service.url + "/")
    assert len(service.asked) == 1
    assert urlsplit(service.asked[0]).path == "/api/tmy"
    assert service.query() == {"lat": ["45.0"], "lon": ["8.0"], "outputformat": ["json"]}


@pytest.mark.slow
def test_same_answer_has_the_same_fingerprint(service: Service, saved: str) -> None:
    service.answer(saved)
    first, second = (fetch_pvgis(45.0, 8.0, url=service.url).year.station for _ in range(2))
    turned = fetch_pvgis(45.0, 8.0, url=service.url, options=ReadingOptions(utc_offset_h=0.0)).year.station
    assert first == second
    assert turned.sha256 != first.sha256


@pytest.mark.slow
def test_answer_of_the_public_service(service: Service, samples: Path) -> None:
    # The sample's GHI sums to 1436 kWh/m2 as it stands.
    lines = (samples / "tmy_45.000_8.000_2005_2023.csv").read_text(encoding="utf-8").splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith("time(UTC)"))
    rows = pd.DataFrame([line.split(",") for line in lines[start + 1 : start + 8761]], columns=lines[start].split(","))
    table = rows.set_index("time(UTC)").astype(float).reset_index()
    answer = pvgis_tmy()
    answer["outputs"]["tmy_hourly"] = table.to_dict("records")  # type: ignore[index]
    service.answer(as_json(answer))
    year = fetch_pvgis(45.0, 8.0, url=service.url).year
    assert year.ghi.sum() / 1000 == pytest.approx(1435.9, rel=0.0005)


def failed(fetch: Callable[[], object]) -> AftersunError:
    with pytest.raises(AftersunError) as caught:
        fetch()
    assert caught.value.exit_code == 2
    assert caught.value.hint
    assert "\n" not in str(caught.value)
    return caught.value


def bad_offset(saved: str) -> str:
    answer = json.loads(saved)
    answer["inputs"]["location"]["irradiance_time_offset"] = 0.9
    return json.dumps(answer)


@pytest.mark.parametrize(
    ("body", "status", "words"),
    [
        ("<html>Service under maintenance</html>", 200, "answered with something that is no typical year"),
        ("", 200, "answered with something that is no typical year"),
        ("{}", 200, "answered with something that is no typical year"),
        ("[1, 2, 3]", 200, "answered with something that is no typical year"),
        ("null", 200, "answered with something that is no typical year"),
        (b"\x89PNG\x00\xff", 200, "answered with something that is no typical year"),
        (
            '{"inputs": {}, "outputs": {"tmy_hourly": [], "months_selected": []}, "meta": {"inputs": {}}}',
            200,
            "no typical",
        ),
        ('{"message": "Location over the sea. Please, select another location", "status": 400}', 400, "over the sea"),
        ('{"error": "no message here"}', 400, "answered with something that is no typical year"),
        ("<html>Not found</html>", 404, "PVGIS refused: 404 Client Error"),
        ("Too many requests", 429, "PVGIS refused: 429 Client Error"),
        (json.dumps({"message": "x" * 5000}), 500, f"PVGIS refused: {'x' * 160} ...."),
        (json.dumps({"message": "See https://example.org/why no\u001b[2J."}), 400, "PVGIS refused: See no [2J."),
        ("<html>Bad gateway</html>", 502, "PVGIS refused: 502 Server Error"),
    ],
)
def test_answers_that_are_no_year(service: Service, body: str | bytes, status: int, words: str) -> None:
    service.answer(body, status)
    error = failed(lambda: fetch_pvgis(45.0, 8.0, url=service.url))
    assert words in str(error)
    assert "127.0.0.1" not in str(error)


def test_answer_cut_short_within(service: Service, saved: str) -> None:
    answer = json.loads(saved)
    answer["outputs"]["tmy_hourly"] = answer["outputs"]["tmy_hourly"][:5000]
    service.answer(json.dumps(answer))
    assert "The year from PVGIS was refused: 3760 hours are missing" in str(
        failed(lambda: fetch_pvgis(45.0, 8.0, url=service.url))
    )


def test_answer_goes_through_the_gate(service: Service, saved: str) -> None:
    service.answer(bad_offset(saved))
    error = failed(lambda: fetch_pvgis(45.0, 8.0, url=service.url))
    assert "The year from PVGIS was refused: irradiance comes 0.7 h late against the sun" in str(error)


def test_answer_for_another_place(service: Service, saved: str) -> None:
    service.answer(saved)
    assert "for another place" in str(failed(lambda: fetch_pvgis(46.0, 8.0, url=service.url)))


def test_connection_that_breaks_off(service: Service, saved: str) -> None:
    service.answer(saved[:1000])
    service.announced = len(saved)
    assert "PVGIS cannot be reached" in str(failed(lambda: fetch_pvgis(45.0, 8.0, url=service.url)))


def test_no_answer_in_time(service: Service) -> None:
    service.hold.clear()
    error = failed(lambda: fetch_pvgis(45.0, 8.0, url=service.url, timeout_s=0.2))
    service.hold.set()
    assert str(error) == "PVGIS did not answer within 0.2 s."
    assert "--timeout" in error.hint
    assert "built-in climate normals" in error.hint


def test_offline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_PROXY", "*")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
    error = failed(lambda: fetch_pvgis(45.0, 8.0, url=f"http://127.0.0.1:{port}/"))
    assert str(error) == "PVGIS cannot be reached."
    assert "built-in climate normals" in error.hint


@pytest.mark.parametrize(
    ("latitude", "longitude", "url", "timeout_s", "words"),
    [
        (91.0, 8.0, "http://127.0.0.1:9/", 1.0, "no such place"),
        (45.0, -181.0, "http://127.0.0.1:9/", 1.0, "no such place"),
        (float("nan"), 8.0, "http://127.0.0.1:9/", 1.0, "no such place"),
        (45.0, 8.0, "ftp://127.0.0.1/", 1.0, "The address of the service is none"),
        (45.0, 8.0, "pvgis", 1.0, "The address of the service is none"),
        (45.0, 8.0, "http://127.0.0.1:9/", 0.0, "The time to wait is none"),
        (45.0, 8.0, "http://127.0.0.1:9/", float("inf"), "The time to wait is none"),
    ],
)
def test_requests_that_are_not_sent(latitude: float, longitude: float, url: str, timeout_s: float, words: str) -> None:
    assert words in str(failed(lambda: fetch_pvgis(latitude, longitude, url=url, timeout_s=timeout_s)))
