"""The second family: for each a site where it wins and one where it loses, worked by hand; and the rules of the kit."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest
from tests_support import empty_frame

from aftersun import api
from aftersun.energy.assumptions import system_values
from aftersun.host.assumed import assumed
from aftersun.host.guard import Guard
from aftersun.host.registry import Loaded
from aftersun.money.company import Company
from aftersun.scoring.offers.bundles import _exclude_each_other
from aftersun.scoring.offers.chunk import plant_texts
from aftersun.scoring.value.simulations import Simulations, baseline_of
from aftersun.scoring.value.valuation import Case, Valuation, evaluate
from aftersun.testing import RetrofitConformance, sample_cohort, sample_company, sample_weather
from aftersun.testing.answers import ask
from aftersun_retrofits.hot_water_diverter import HotWaterDiverter
from aftersun_retrofits.monitoring_add_on import MonitoringAddOn
from aftersun_upgrades.battery import Battery
from aftersun_upgrades.charging_from_surplus import ChargingFromSurplus
from aftersun_upgrades.hot_water_heat_pump import HotWaterHeatPump
from aftersun_upgrades.inverter_renewal import InverterRenewal, failures_by_year
from aftersun_upgrades.light_film import LightFilm
from aftersun_upgrades.module_renewal import ModuleRenewal
from aftersun_upgrades.more_modules import MoreModules
from aftersun_upgrades.scheduled_cleaning import ScheduledCleaning
from aftersun_upgrades.service_contract import ServiceContract
from aftersun_upgrades.single_axis_tracking import SingleAxisTracking
from aftersun_upgrades.surge_protection import SurgeProtection

FAMILY = (
    *(
        Battery,
        ChargingFromSurplus,
        HotWaterHeatPump,
        InverterRenewal,
        LightFilm,
        ModuleRenewal,
        MoreModules,
        ScheduledCleaning,
        ServiceContract,
    ),
    *(SingleAxisTracking, SurgeProtection),
)
PROJECT = Path(__file__).parents[2] / "plugins" / "aftersun_upgrades"
CHARGED = 1.25 * 1.2  # markup and tax of the sample company
LARGE = {"inverter_rating_kw": 200.0, "annual_demand_kwh": 500_000.0, "use": "workshop", "reclaims_tax": False}
FIELD = {"dc_rating_kw": 200.0, "module_count": 600}


def company_of(retrofit: api.Retrofit) -> Company:
    lines = ask(
        retrofit, sample_cohort({"surroundings": "desert", "commissioned_on": pd.Timestamp("2010-01-01")})
    ).lines
    return sample_company(lines, {item.key: item.usual for item in retrofit.about.prices})


def valued(retrofit: api.Retrofit, cohort: api.Cohort) -> Valuation:
    company = company_of(retrofit)
    baseline = baseline_of(cohort, company, empty_frame("reading", 0))[0]
    guard = Guard(plant_texts())
    valuation = evaluate(Case(Loaded(retrofit, "", ""), baseline, Simulations(baseline), company, guard), itemised=True)
    assert valuation is not None, guard.failures
    return valuation


@pytest.mark.slow
@pytest.mark.parametrize("rule", [name for name in vars(RetrofitConformance) if name.startswith("test_")])
@pytest.mark.parametrize("kind", FAMILY)
def test_the_kit(kind: Callable[[], api.Retrofit], rule: str) -> None:
    case = RetrofitConformance()
    case.retrofit = kind()
    getattr(case, rule)()


def test_the_package_is_a_project_of_its_own_that_names_each_of_them() -> None:
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]
    named = project["entry-points"]["aftersun.plugins"]
    assert {name: f"aftersun_upgrades.{name}" for name in named} == named
    assert set(named) == {kind().about.id for kind in FAMILY}


def test_a_service_contract_pays_on_a_large_roof_and_not_at_a_home() -> None:
    """Half of the 3 % that stops take are saved, and a wash at 80 that is paid to others today."""
    told = {"open_string": False, "cleanings_per_year": 1.0, "import_price": 0.3, "export_price": 0.3}
    cohort = sample_cohort({**LARGE, **told, "arrays": [FIELD]}, told)
    (large, home) = (generated for generated in api.annual_generation(cohort, api.baseline(cohort)))
    flow = valued(ServiceContract(), cohort).flow
    for row, (kwh, kw) in enumerate(((large, 200.0), (home, 4.0))):
        by_hand = 0.3 * kwh * (0.985 / 0.97 - 1.0) + 80.0 - (110.0 + 4.0 * kw) * CHARGED
        assert flow.net[row, 1] == pytest.approx(by_hand, rel=1e-3)
    assert flow.net[0, 1] - 80.0 > 0
    assert flow.net[1, 1] < 0


def test_an_old_inverter_is_renewed_before_it_fails_and_a_young_one_is_left_alone() -> None:
    alive = lambda years: np.exp(-((years / 14.0) ** 3.0))  # noqa: E731
    by_hand = [(alive(13.0 + year) - alive(14.0 + year)) / alive(13.0) for year in range(18)]
    assert failures_by_year(13.0, 18, 14.0, 3.0) == pytest.approx(by_hand)
    assert by_hand[0] == pytest.approx(1.0 - np.exp(-547 / 2744))  # (14^3 - 13^3) / 14^3
    told = {"remaining_life_years": 12.0, "import_price": 0.2, "export_price": 0.2, "inverter_rating_kw": 10.0}
    told["arrays"] = [{"dc_rating_kw": 10.0}]
    cohort = sample_cohort({**told, "inverter_year": 2012}, {**told, "inverter_year": 2024})
    age = cohort.as_of.year - 2012
    renewal = InverterRenewal()
    assert ask(renewal, cohort).screening.status.tolist() == [api.FITS, api.DOES_NOT_FIT]
    old = valued(renewal, cohort.take(np.array([0])))
    chances = failures_by_year(float(age), 12, 14.0, 3.0)
    new = failures_by_year(0.0, 12, 14.0, 3.0) * (np.arange(1, 13) > 10)
    assert old.flow.avoided[0, 1:13] == pytest.approx(np.maximum(chances - new, 0.0) * 10.0 * 240.0, rel=1e-6)
    (kwh,) = api.annual_generation(cohort.take(np.array([0])), api.baseline(cohort.take(np.array([0]))))
    assert old.flow.saving[0, 1] == pytest.approx(0.2 * kwh * (0.975 / 0.96 - 1.0), rel=0.03)  # the curve at part load
    assert old.npv[0] > 0


def test_an_old_system_lives_as_long_as_its_modules() -> None:
    cohort = sample_cohort({"commissioned_on": pd.Timestamp("2003-05-01"), "inverter_year": 2010})
    valuation = valued(InverterRenewal(), cohort)
    age = cohort.age_years(0.0)[0]
    assert valuation.years[0] == np.floor(min(12.0, 30.0 - age))
    assert valuation.flow.saving[0, 5] > 10 * valuation.flow.saving[0, 1]  # the old end lies before


def test_a_service_contract_and_monitoring_save_the_same_stops_once() -> None:
    """A contract holds the watching, so no set has both: beside alerts it would halve what they have left once more.

    By hand: of 6 % of the hours lost the contract finds half, 3 % are left. Alerts that save 4 of the 6 points leave
    2; the contract after them would leave 1, a gain of 5 where nobody who watches saves more than the 4.
    """
    cohort = sample_cohort({"monitoring": "none", "cleanings_per_year": 1.0})
    plant = api.baseline(cohort).replace(availability=np.array([0.94]))
    contract = ServiceContract()
    kept = contract.change(cohort, plant, assumed(contract, {}, {})).plant
    assert kept.availability == pytest.approx([0.97])
    twice = contract.change(cohort, plant.replace(availability=np.array([0.98])), assumed(contract, {}, {})).plant
    assert twice.availability == pytest.approx([0.99])
    read = cohort.sites.assign(monitoring=pd.array(["portal somebody reads"], dtype="string"))
    watched = contract.change(replace(cohort, sites=read), plant, assumed(contract, {}, {})).plant
    assert watched.availability == pytest.approx([1 - 0.06 * 0.9])  # and a site that is watched already gains little
    assert _exclude_each_other([Loaded(MonitoringAddOn(), "", ""), Loaded(contract, "", "")])


def by_hand_stored(generated: np.ndarray, load: np.ndarray, kwh: float, kw: float, efficiency: float) -> float:
    """Return what a battery delivers in a year, kWh, hour by hour: losses are taken when it is charged."""
    held, delivered = 0.0, 0.0
    for surplus in generated - load:
        if surplus > 0:
            held += min(surplus, kw, (kwh - held) / efficiency) * efficiency
        else:
            out = min(-surplus, kw, held)
            held, delivered = held - out, delivered + out
    return delivered


def test_a_battery_pays_with_dear_evenings_and_not_where_export_is_worth_as_much() -> None:
    dear = {"import_price": 0.45, "export_price": 0.04, "annual_demand_kwh": 5000.0}
    same = {"import_price": 0.30, "export_price": 0.28, "annual_demand_kwh": 5000.0}
    array = {"arrays": [{"dc_rating_kw": 8.0}], "inverter_rating_kw": 8.0, "remaining_life_years": 20.0}
    cohort = sample_cohort({**dear, **array}, {**same, **array})
    valuation, plant = valued(Battery(), cohort), api.baseline(cohort)
    kwh = float(valuation.remarks[0].split()[0])
    load = np.full(8760, plant.demand_kwh[0] / 8760.0)
    round_trip = system_values({})["battery_round_trip_efficiency"]
    out = by_hand_stored(api.hourly_generation(cohort, plant)[0], load, kwh, 0.5 * kwh, round_trip)
    # a kWh delivered spares one bought and gives up the export of what went in
    assert valuation.flow.saving[0, 1] == pytest.approx(out * (0.45 - 0.04 / round_trip), rel=0.03)
    price = (380.0 * kwh + 900.0 + 10.0 * 45.0) * CHARGED
    assert valuation.flow.upfront[0, 0] == pytest.approx(price, rel=0.05)  # and the way
    assert valuation.npv[0] > 0 > valuation.npv[1]
    there, netted = {"battery_kwh": 5.0}, {"export_rule": "net metering"}
    assert set(ask(Battery(), sample_cohort(there, netted)).screening.status) == {api.DOES_NOT_FIT}


def test_cleaning_pays_in_a_large_dry_field_and_rain_does_it_at_home() -> None:
    """Without rain dirt grows evenly, and n washes a year leave the n-th part of what one leaves."""
    dry = sample_weather(np.zeros(8760))
    told = {**LARGE, "surroundings": "desert", "import_price": 0.15, "export_price": 0.15, "arrays": [FIELD]}
    cohort = sample_cohort(told, weather=dry)
    valuation, plant = valued(ScheduledCleaning(), cohort), api.baseline(cohort)
    assert valuation.variant[0] == "4 a year"
    rate = plant.soiling_rate_per_day[0]
    clean = api.annual_generation(cohort, plant.replace(soiling_rate_per_day=np.zeros(1)))[0]
    washed = clean * (1.0 - rate * 365.0 / 4.0 / 2.0)
    (now,) = api.annual_generation(cohort, plant)
    assert valuation.flow.saving[0, 1] == pytest.approx(0.15 * (washed - now), rel=0.03)
    assert valuation.flow.yearly_cost[0, 1] == pytest.approx(4.0 * (60.0 + 6.0 * 200.0) * CHARGED)
    assert valuation.npv[0] > 0
    rain = np.zeros(8760)
    rain[::72] = 20.0
    home = sample_cohort({"surroundings": "suburban"}, weather=sample_weather(rain))
    assert ask(ScheduledCleaning(), home).screening.status.tolist() == [api.DOES_NOT_FIT]


def test_surge_protection_pays_for_a_large_inverter_in_the_open_and_not_at_a_home() -> None:
    told = {"remaining_life_years": 20.0}
    cohort = sample_cohort(
        {**LARGE, **told, "surroundings": "farmland", "arrays": [FIELD]}, {**told, "surroundings": "urban"}
    )
    flow = (valuation := valued(SurgeProtection(), cohort)).flow
    assert flow.avoided[:, 1] == pytest.approx([2 * 0.003 * 0.8 * 200.0 * 250.0, 0.003 * 0.8 * 4.0 * 250.0])
    assert flow.saving.max() == 0.0
    assert valuation.npv[1] < 0


def test_new_modules_pay_where_old_ones_are_weak_and_not_where_they_are_strong() -> None:
    weak = {"dc_rating_kw": 12.0, "module_count": 100, "module_width_m": 1.0, "module_height_m": 1.6}
    told = {
        "commissioned_on": pd.Timestamp("2006-05-01"), "inverter_rating_kw": 40.0, "annual_demand_kwh": 60_000.0,
        "remaining_life_years": 25.0, "import_price": 0.35, "export_price": 0.30,
    }  # fmt: skip
    cheap = {"commissioned_on": pd.Timestamp("2015-05-01"), "import_price": 0.15, "export_price": 0.05}
    cohort = sample_cohort({**told, "arrays": [weak]}, {**told, **cheap, "arrays": [{**weak, "dc_rating_kw": 30.0}]})
    valuation, plant = valued(ModuleRenewal(), cohort), api.baseline(cohort)
    before = api.annual_generation(cohort, plant)
    aged = plant.ageing * (1.0 - plant.excess_loss) * plant.strings_working
    by_hand = before * (100 * 1.6 * 0.21 / np.array([12.0, 30.0]) / aged - 1.0)
    # an inverter that was far too large for the old modules works nearer to its best
    assert valuation.gain_kwh["generated"] == pytest.approx(by_hand, rel=0.06)
    assert valuation.npv[0] > 0 > valuation.npv[1]
    young = sample_cohort({"commissioned_on": pd.Timestamp("2022-05-01")})
    assert ask(ModuleRenewal(), young).screening.status.tolist() == [api.DOES_NOT_FIT]


def test_a_film_is_worth_minus_its_price_beside_its_claim() -> None:
    film = LightFilm()
    assert film.about.claim_only
    valuation = valued(film, sample_cohort({"remaining_life_years": 20.0}))
    assert valuation.npv == pytest.approx(-valuation.flow.upfront[:, 0])


def light_kwh_m2(weather: api.WeatherYear, tilt: np.ndarray | float, azimuth: np.ndarray | float) -> float:
    """Return a year's light on a plane by pvlib alone, without what the glass throws back."""
    poa = pvlib.irradiance.get_total_irradiance(
        tilt, azimuth, weather.zenith, weather.azimuth, weather.dni, weather.ghi, weather.dhi,
        dni_extra=weather.dni_extra, airmass=weather.airmass, albedo=0.2, model="perez",
    )["poa_global"]  # fmt: skip
    return float(np.nansum(poa)) / 1000.0


def test_frames_that_turn_pay_in_a_large_field_and_not_in_a_small_one_with_poor_prices() -> None:
    """A fixed frame at 25 degrees and a level axis, by pvlib's light; cells and inverter are nearly as before."""
    field = {"mounting": "ground frame", "tilt_deg": 25.0, "ground_cover_ratio": 0.35}
    told = {**LARGE, "roof_kind": "ground", "remaining_life_years": 20.0}
    dear, poor = {"import_price": 0.24, "export_price": 0.20}, {"import_price": 0.08, "export_price": 0.03}
    cohort = sample_cohort(
        {**told, **dear, "arrays": [{**FIELD, **field}]},
        {**told, **poor, "inverter_rating_kw": 25.0, "arrays": [{**FIELD, **field, "dc_rating_kw": 25.0}]},
        {**told, **dear, "arrays": [{**FIELD, **field, "dc_rating_kw": 8.0}]},
        {**told, **dear, "arrays": [{**FIELD, "mounting": "flush roof"}]},
    )
    answers = ask(SingleAxisTracking(), cohort)
    status = answers.screening.status.tolist()
    assert status == [api.SURVEY_FIRST, api.SURVEY_FIRST, api.DOES_NOT_FIT, api.DOES_NOT_FIT]
    two = cohort.take(np.array([0, 1]))
    valuation, plant, weather = valued(SingleAxisTracking(), two), api.baseline(two), cohort.weather
    sun = pvlib.tracking.singleaxis(weather.zenith, weather.azimuth, 0, 180, 55, True, 0.35)
    stood = light_kwh_m2(weather, 25.0, 180.0)
    share = light_kwh_m2(weather, sun["surface_tilt"], sun["surface_azimuth"]) / stood - 1.0
    assert 0.15 < share < 0.35
    before = api.annual_generation(two, plant)
    # rows that stand at 25 degrees shade each other more than those that turn back; glass throws less back
    assert valuation.gain_kwh["generated"] == pytest.approx(before * share * 0.96, rel=0.04)
    price = np.array([200.0, 25.0]) * 180.0 * CHARGED
    assert (valuation.flow.upfront[:, 0] > price).all()
    assert valuation.flow.yearly_cost[:, 1] == pytest.approx(np.array([200.0, 25.0]) * 5.0 * CHARGED)
    assert valuation.npv[0] > 0 > valuation.npv[1]
    rival = before[0] / 2.2
    assert f"{200.0 / 2.2:,.1f} kW more that stand cost as much and bring {rival:,.0f}" in valuation.remarks[0]


def test_more_modules_pay_at_a_good_price_and_not_for_a_trifle() -> None:
    """Added kW times what a new kW on the same plane yields; on the opposite face by the light of that face."""
    told = {"remaining_life_years": 25.0, "inverter_rating_kw": 8.0, "annual_demand_kwh": 20_000.0}
    known = {"birds_seen": False, "open_string": False, "measured_excess_loss": 0.0}
    cohort = sample_cohort(
        {**told, **known, "import_price": 0.35, "export_price": 0.35},
        {**told, **known, "import_price": 0.10, "export_price": 0.02, "annual_demand_kwh": 500.0},
        {**told, "inverter_rating_kw": 3.0},
        {**told, "export_rule": "gross feed-in"},
        {**told, "generation_price": 0.1},
    )
    status = ask(MoreModules(), cohort).screening.status.tolist()
    assert status == [api.SURVEY_FIRST] * 2 + [api.DOES_NOT_FIT] * 3
    two = cohort.take(np.array([0, 1]))
    valuation, plant = valued(MoreModules(), two), api.baseline(two)
    assert valuation.variant[0] == "on the opposite face"
    modules = np.floor(0.8 * 4.0 / 0.44)  # of 4 kW, and 8 kW are left at 1.5 times the inverter
    per_kw = api.annual_generation(two, plant)[0] / 4.0 / plant.ageing[0]
    face = light_kwh_m2(cohort.weather, 30.0, 0.0) / light_kwh_m2(cohort.weather, 30.0, 180.0)
    by_hand = modules * 0.44 * per_kw * face
    assert valuation.gain_kwh["generated"][0] == pytest.approx(by_hand, rel=0.05)
    assert valuation.flow.saving[0, 1] == pytest.approx(0.35 * by_hand, rel=0.05)
    assert valuation.npv[0] > 0 > valuation.npv[1]
    gaps = ask(MoreModules(), two).change
    assert gaps.added[0].columns["dc_rating_kw"] == pytest.approx([0.44, 0.44])  # 0.2 of 4 kW: one module


def by_hand_charged(surplus: np.ndarray, workday: np.ndarray, kwh: float) -> float:
    """Return what a car takes of the surplus of a year, kWh, that comes at 16 and leaves at 8 on workdays."""
    taken = 0.0
    for day in range(365):
        left = kwh
        for step in range(24):
            hour = (24 * day + 16 + step) % 8760
            at_home = step < 16 or not workday[hour]
            if at_home and surplus[hour] >= 1.4:
                more = min(surplus[hour], 7.4, left)
                taken, left = taken + more, left - more
        if left > 0:  # in the hour before it leaves, beside what comes then
            at_eight = (24 * day + 31) % 8760
            taken += min(left, surplus[at_eight]) if surplus[at_eight] < 1.4 else 0.0
    return taken


def test_charging_from_surplus_pays_beside_poor_export_and_not_where_export_pays_as_much() -> None:
    """A car of 12,000 km at 0.18 kWh, four fifths of it at home: 4.73 kWh a day."""
    told = {"arrays": [{"dc_rating_kw": 12.0}], "inverter_rating_kw": 12.0, "remaining_life_years": 20.0}
    poor, good = {"import_price": 0.42, "export_price": 0.04}, {"import_price": 0.30, "export_price": 0.29}
    cohort = sample_cohort({**told, **poor}, {**told, **good}, {**told, "export_rule": "net metering"})
    status = ask(ChargingFromSurplus(), cohort).screening.status.tolist()
    assert status == [api.SURVEY_FIRST, api.SURVEY_FIRST, api.DOES_NOT_FIT]
    two = cohort.take(np.array([0, 1]))
    valuation, plant = valued(ChargingFromSurplus(), two), api.baseline(two)
    kwh = 12_000 * 0.18 * 0.8 / 365.0
    workday = np.asarray(cohort.weather.times.day_of_week < 5)
    taken = by_hand_charged(api.simulate(two, plant).exported[0].astype(float), workday, kwh)
    assert 500.0 < taken < 0.95 * 365.0 * kwh
    # what is taken is not bought by night and not exported; the control itself takes 4 W
    assert valuation.flow.saving[0, 1] == pytest.approx(taken * (0.42 - 0.04) - 8.76 * 4.0 * 0.42, rel=0.03)
    assert valuation.flow.upfront[:, 0] == pytest.approx((380.0 + 4.0 * 45.0) * CHARGED, rel=0.05)
    assert valuation.npv[0] > 0 > valuation.npv[1]


def test_a_heat_pump_pays_beside_an_element_and_not_beside_cheap_gas() -> None:
    """Energies from the heat that the present heater gives; the afternoon of a store that is large enough."""
    told = {"occupants": 3, "water_store_litres": 300.0, "remaining_life_years": 20.0, "export_price": 0.08}
    element = {**told, "water_heat": "immersion", "import_price": 0.38, "arrays": [{"dc_rating_kw": 6.0}]}
    gas = {**told, "water_heat": "gas boiler", "gas_price": 0.06, "import_price": 0.38}
    cohort = sample_cohort({**element, "occupants": 5}, gas, {**told, "water_heat": "heat pump"})
    status = ask(HotWaterHeatPump(), cohort).screening.status.tolist()
    assert status == [api.SURVEY_FIRST, api.SURVEY_FIRST, api.DOES_NOT_FIT]
    two = cohort.take(np.array([0, 1]))
    valuation, plant = valued(HotWaterHeatPump(), two), api.baseline(two)
    before = api.simulate(two, plant)
    after = api.simulate(two, ask(HotWaterHeatPump(), two).change.plant)
    # a year's draw over SAP's mean rise of 37.0 K, a seventh more for pipes, and what the store loses to its room
    drawn = plant.draw_litres_per_day * 365.0 * 1.1628e-3 * 37.0 * 1.15
    heat = drawn + plant.store_loss_w_per_k * 40.0 * 8.76
    assert after.annual("water_backup") * 2.8 == pytest.approx(heat, rel=0.08)
    assert before.annual("water_backup") * plant.water_efficiency == pytest.approx(heat, rel=0.08)
    # of a kWh that runs in the sun export is lost at 0.08, of one that does not 0.38 is paid
    gas, electric = before.annual("water_backup")[1] * 0.06, after.annual("water_backup")[1]
    assert gas - 0.38 * electric < valuation.flow.saving[1, 1] < gas - 0.08 * electric
    less = (heat[0] - heat[0] / 2.8) * np.array([0.08, 0.38])
    assert less[0] < valuation.flow.saving[0, 1] < less[1] * 1.08
    assert valuation.flow.upfront[:, 0] == pytest.approx((2100.0 + 11.0 * 45.0) * CHARGED, rel=0.05)
    assert valuation.npv[0] > 0 > valuation.npv[1]
    rival = valued(HotWaterDiverter(), two)
    assert valuation.flow.saving[0, 1] > rival.flow.saving[0, 1]
