"""The tables that a stored run consists of, as data. Other tools may rely on their names and types."""

from __future__ import annotations

from collections.abc import Mapping

from aftersun.inventory.store.table_layout import Layout

_RUN_SITE_RETROFIT = {"run_id": "VARCHAR", "site_id": "VARCHAR", "retrofit": "VARCHAR"}

# What a run leaves behind: other tools may rely on these names and types.
RUN = Layout(
    columns={
        "run_id": "VARCHAR",
        "started_at": "TIMESTAMP",  # UTC
        "finished_at": "TIMESTAMP",  # UTC
        "program_version": "VARCHAR",
        "plugin_versions": "JSON",
        "input_hashes": "JSON",
        "settings": "JSON",
        "seed": "BIGINT",
        "as_of": "DATE",
        "sites": "BIGINT",
        "failures": "JSON",
    },
    order=("started_at", "run_id"),
    key=("run_id",),
    required=("started_at", "finished_at", "program_version", "as_of"),
)

RUN_TABLES: Mapping[str, Layout] = {
    "ranking": Layout(
        columns={
            "run_id": "VARCHAR",
            "site_id": "VARCHAR",
            "rank": "INTEGER",
            "retrofit": "VARCHAR",
            "npv": "DOUBLE",
            "npv_p10": "DOUBLE",  # exceeded with 10 %
            "npv_p50": "DOUBLE",
            "npv_p90": "DOUBLE",  # exceeded with 90 %
            "npv_mean": "DOUBLE",
            "npv_worst_tenth": "DOUBLE",  # mean of the worst 10 %
            "chance_npv_positive": "DOUBLE",
            "upfront": "DOUBLE",
            "first_year_saving": "DOUBLE",
            "simple_payback_years": "DOUBLE",
            "discounted_payback_years": "DOUBLE",
            "sir": "DOUBLE",
            "energy_gain_kwh": "DOUBLE",  # a year, as new
            "to_water_kwh": "DOUBLE",  # a year more to the hot-water store
            "water_heater_kwh": "DOUBLE",  # a year less for the present water heater, of its own fuel
            "status": "VARCHAR",
            "reason": "VARCHAR",
            "variant": "VARCHAR",  # which way to do it was the best here, where there are several
            "for_safety": "BOOLEAN",  # ranked first: a danger that it ends is known to stand on the site
        },
        order=("site_id", "rank", "retrofit"),
        key=("run_id", "site_id", "retrofit"),
        required=("status",),
    ),
    "offer": Layout(  # what may be offered on value: a retrofit, or the best set of several, members joined by "+"
        columns={
            "run_id": "VARCHAR",
            "site_id": "VARCHAR",
            "offer": "VARCHAR",
            "npv": "DOUBLE",
            "npv_p90": "DOUBLE",
            "npv_p50": "DOUBLE",
            "npv_p10": "DOUBLE",
            "chance_npv_positive": "DOUBLE",
            "upfront": "DOUBLE",
            "first_year_saving": "DOUBLE",
            "contribution": "DOUBLE",  # of the company: price before tax less own cost and reserves
            "materials_cost": "DOUBLE",
            "equipment": "VARCHAR",
            "trip_cost": "DOUBLE",  # of the company, for this site alone; in contribution
            "must_call": "BOOLEAN",  # it ends a danger that is known to stand: told whatever it is worth
            "years": "DOUBLE",  # over which the net present value is taken
            "npv_percentiles": "DOUBLE[]",  # P0, P5 .. P100 over the draws, ascending: share of draws below
        },
        order=("site_id", "offer"),
        required=("run_id", "site_id", "offer"),
    ),
    "offer_member": Layout(
        columns={
            "run_id": "VARCHAR",
            "site_id": "VARCHAR",
            "offer": "VARCHAR",
            "retrofit": "VARCHAR",
            "npv_alone": "DOUBLE",
            "npv_added": "DOUBLE",  # to the net present value of the offer by this member, given the others
        },
        order=("site_id", "offer", "retrofit"),
        required=("run_id", "site_id", "offer", "retrofit"),
    ),
    "offer_month": Layout(  # energy of each calendar month as new; offer "" = as the site stands today
        columns={
            "run_id": "VARCHAR",
            "site_id": "VARCHAR",
            "offer": "VARCHAR",
            "month": "INTEGER",
            "generated_kwh": "DOUBLE",
            "used_kwh": "DOUBLE",
            "to_water_kwh": "DOUBLE",
            "exported_kwh": "DOUBLE",
            "imported_kwh": "DOUBLE",
        },
        order=("site_id", "offer", "month"),
        required=("run_id", "site_id", "offer", "month"),
    ),
    "site_picture": Layout(
        columns={
            "run_id": "VARCHAR",
            "site_id": "VARCHAR",
            "mean_w": "UINTEGER[]",  # W generated today: 12 months of 24 hours each, standard time of the station
        },
        order=("site_id",),
    ),
    "driver": Layout(  # the numbers that move an offer's worth most, each alone at its low and its high
        columns={
            **_RUN_SITE_RETROFIT,
            "name": "VARCHAR",
            "meaning": "VARCHAR",
            "unit": "VARCHAR",
            "low": "DOUBLE",
            "used": "DOUBLE",
            "high": "DOUBLE",
            "npv_low": "DOUBLE",
            "npv_high": "DOUBLE",
            "turns": "BOOLEAN",  # the net present value changes its sign between low and high
            "flips_at": "DOUBLE",  # value at which it does, all others as they are; empty = nowhere between
        },
        order=("site_id", "retrofit", "rowid"),
        required=("run_id", "site_id", "retrofit", "name"),
    ),
    "offer_hours": Layout(
        columns={
            "run_id": "VARCHAR",
            "site_id": "VARCHAR",
            "offer": "VARCHAR",
            "skill": "VARCHAR",
            "hours": "DOUBLE",
        },
        order=("site_id", "offer", "skill"),
        required=("run_id", "site_id", "offer", "skill"),
    ),
    "question": Layout(  # unknown facts whose answer is worth something, in money of the owners
        columns={
            "run_id": "VARCHAR",
            "site_id": "VARCHAR",
            "fact": "VARCHAR",
            "question": "VARCHAR",
            "chance_true": "DOUBLE",
            "value_if_known": "DOUBLE",  # expected value of perfect information
            "value_of_phone": "DOUBLE",  # of an answer that may be wrong
            "value_of_visit": "DOUBLE",
            "visit_cost": "DOUBLE",  # to the company; empty = no visit would tell
            "retrofits": "VARCHAR",
        },
        order=("site_id", "fact"),
        required=("run_id", "site_id", "fact", "question"),
    ),
    "run_value": Layout(  # what the best offer of every site comes to, added up; retrofit "" = all together
        columns={
            "run_id": "VARCHAR",
            "retrofit": "VARCHAR",
            "offers": "INTEGER",
            "npv_p90": "DOUBLE",  # exceeded with 90 %
            "npv_p50": "DOUBLE",
            "npv_p10": "DOUBLE",
            "npv_mean": "DOUBLE",
        },
        order=("retrofit",),
        key=("run_id", "retrofit"),
        required=("offers",),
    ),
    "safety_note": Layout(
        columns={
            **_RUN_SITE_RETROFIT,
            "note_id": "VARCHAR",
            "severity": "VARCHAR",
            "text": "VARCHAR",
            "who": "VARCHAR",
            "tell_owner": "BOOLEAN",  # a danger known to stand on the site now: not for sale, to be told
        },
        order=("site_id", "retrofit", "rowid"),
        required=("run_id", "site_id", "retrofit", "note_id", "severity", "text"),
    ),
    "cost_item": Layout(  # of each retrofit, and of each offer of several: retrofit is the offer then
        columns={
            **_RUN_SITE_RETROFIT,
            "kind": "VARCHAR",
            "item": "VARCHAR",
            "quantity": "DOUBLE",
            "unit": "VARCHAR",
            "unit_cost": "DOUBLE",
            "cost": "DOUBLE",
            "price": "DOUBLE",
            "note": "VARCHAR",
            "in_year": "INTEGER",  # whole years after the first visit; of what comes every year 0
        },
        order=("site_id", "retrofit", "rowid"),
        required=("run_id", "site_id", "retrofit", "kind", "item"),
    ),
    "cash_flow": Layout(  # of retrofits that are worth it or end a known danger, and of each offer of several
        columns={
            **_RUN_SITE_RETROFIT,
            "year": "INTEGER",
            "saving": "DOUBLE",
            "yearly_cost": "DOUBLE",
            "avoided": "DOUBLE",
            "upfront": "DOUBLE",
            "net": "DOUBLE",
            "discounted": "DOUBLE",
        },
        order=("site_id", "retrofit", "year"),
        required=("run_id", "site_id", "retrofit", "year"),
    ),
    "site_energy": Layout(
        columns={
            "run_id": "VARCHAR",
            "site_id": "VARCHAR",
            "station_id": "VARCHAR",
            "weather_basis": "VARCHAR",  # station, or normals = the built-in climate normals of the place
            "distance_km": "DOUBLE",  # to the station
            "height_difference_m": "DOUBLE",  # of the station
            "weather_sd_share": "DOUBLE",  # standard deviation of the year's in-plane irradiation, share of it
            "generated_kwh": "DOUBLE",
            "used_kwh": "DOUBLE",
            "to_water_kwh": "DOUBLE",
            "exported_kwh": "DOUBLE",
            "curtailed_kwh": "DOUBLE",
            "imported_kwh": "DOUBLE",
            "yield_kwh_per_kw": "DOUBLE",
            "remark": "VARCHAR",
        },
        order=("site_id",),
        key=("run_id", "site_id"),
    ),
    "call": Layout(
        columns={
            "run_id": "VARCHAR",
            "position": "INTEGER",
            "site_id": "VARCHAR",
            "customer_id": "VARCHAR",
            "retrofit": "VARCHAR",
            "npv": "DOUBLE",
            "sentence": "VARCHAR",
            "excluded_reason": "VARCHAR",
            "must_call": "BOOLEAN",  # a danger is known to stand: first, whatever it is worth
            "contribution": "DOUBLE",  # of the company, if the customer says yes
            "chance_of_yes": "DOUBLE",
            "expected_value": "DOUBLE",  # of the call to the company, the way not taken off
            "round": "INTEGER",  # sites of one round can be done in one day
        },
        order=("position", "site_id"),
        key=("run_id", "site_id"),
        required=("customer_id",),
    ),
    "run_capacity": Layout(  # what the calls of the month would take of what the company file limits
        columns={
            "run_id": "VARCHAR",
            "name": "VARCHAR",
            "bookable": "DOUBLE",  # after slack
            "used": "DOUBLE",  # expected
            "short": "DOUBLE",  # what safety matters need beyond it
            "binding": "BOOLEAN",  # something worth having is left out for want of it
            "value_of_one_more": "DOUBLE",  # hour, in money of the company; empty = not asked
        },
        order=("name",),
        key=("run_id", "name"),
    ),
    "run_plan": Layout(  # how good the list of calls is
        columns={
            "run_id": "VARCHAR",
            "status": "VARCHAR",
            "gap": "DOUBLE",  # a better list could be worth so much more at most, as a share
            "value": "DOUBLE",  # expected, of all calls to the company, the way taken off
            "greedy_value": "DOUBLE",  # of a list by value for each share of capacity
            "travel_cost": "DOUBLE",
            "hour_method": "VARCHAR",
            "shortage": "VARCHAR",
        },
        order=("status",),
        key=("run_id",),
    ),
    "site_loss": Layout(
        columns={
            "run_id": "VARCHAR",
            "site_id": "VARCHAR",
            "position": "INTEGER",  # from the light on the modules down to what is generated
            "step": "VARCHAR",
            "kwh": "DOUBLE",  # taken away a year; negative = added
        },
        order=("site_id", "position"),
        required=("run_id", "site_id", "step"),
    ),
    # What the run's retrofits were, assumed and are claimed to do, so that a stored run explains itself.
    "site_evidence": Layout(
        columns={
            "run_id": "VARCHAR",
            "site_id": "VARCHAR",
            **dict.fromkeys(
                (
                    "factor",  # what the meter says over what the model says, normal ageing apart
                    "factor_se",
                    "shortfall",  # share of output that is missing beyond the error of the comparison
                    "zero_day_share",
                    "low_light_ratio",
                    "trend_per_year",
                    "trend_low",
                    "trend_high",
                    "years_of_data",
                ),
                "DOUBLE",
            ),
            "periods": "BIGINT",
            "remark": "VARCHAR",
        },
        order=("site_id",),
        key=("run_id", "site_id"),
    ),
    "reading_finding": Layout(
        columns={
            "run_id": "VARCHAR",
            "site_id": "VARCHAR",
            "meter": "VARCHAR",
            "finding": "VARCHAR",
            "readings": "BIGINT",
            "text": "VARCHAR",
            "what_to_do": "VARCHAR",
        },
        order=("site_id", "meter", "finding"),
        required=("run_id", "site_id", "text"),
    ),
    "run_retrofit": Layout(
        columns={
            "run_id": "VARCHAR",
            "retrofit": "VARCHAR",
            "title": "VARCHAR",
            "summary": "VARCHAR",
            "version": "VARCHAR",
            "origin": "VARCHAR",
            "life_years": "DOUBLE",
            "sources": "VARCHAR",
        },
        order=("retrofit",),
        key=("run_id", "retrofit"),
    ),
    "run_assumption": Layout(
        columns={
            "run_id": "VARCHAR",
            "retrofit": "VARCHAR",
            "name": "VARCHAR",
            "used": "DOUBLE",
            "low": "DOUBLE",
            "mode": "DOUBLE",
            "high": "DOUBLE",
            "unit": "VARCHAR",
            "source": "VARCHAR",
            "meaning": "VARCHAR",
            "overridden": "VARCHAR",  # who set another value and why; empty = nobody
        },
        order=("retrofit", "name"),
        key=("run_id", "retrofit", "name"),
    ),
    "run_claim": Layout(
        columns={"run_id": "VARCHAR", "retrofit": "VARCHAR", "text": "VARCHAR", "source": "VARCHAR"},
        order=("retrofit", "rowid"),
        required=("run_id", "retrofit", "text"),
    ),
}
