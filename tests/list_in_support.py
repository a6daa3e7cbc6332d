"""An office that has a company file, prices and weather, and as yet no customers; and its messy list. All invented."""

from __future__ import annotations

from pathlib import Path

import duckdb
from demo_support import put_demo

from aftersun.scoring.run.demo import Demo

LIST = """\
Larkmoor roofs;;;;;;;;;;;;;;;
Customer No;Name;Street;Phone;Lat;Lon;Size (kWp);Pitch;Direction;Installed;Usage;Birds;Modules;Roof kind;May call;Tariff
901;Home 901;Reed 1;000 555 0901;36,15;-80,15;4,92;25;SSW;16/06/2022;11.280 kWh;yes;12;pitched tile;yes;LM-home
902;Home 902;Reed 2;000 555 0902;36,22;-79,88;9,6 kWp;20;SW;01/02/2011;12.000;yes;40;pitched tile;yes;LM-home
903;Home 903;Reed 3;000 555 0903;36,14;-79,97;7,2;steep;S;13/04/2015;8.630;yes;24;pitched slate;yes;LM-home
904;Home 904;Reed 4;000 555 0904;36,17;-79,99;5,5;30;W;20/05/2014;6.100;no;20;pitched tile;no;LM-home
905;Home 905;Reed 5;000 555 0905;36,19;-79,90;8,0;35;SO;20/05/2013;9.900;yes;30;pitched tile;yes;LM-home
"""
"""One pitch is no number; commas, units, and days are as people type them; one customer may not be called."""


def office_without_customers(folder: Path) -> Demo:
    """Put the demo's company, tariffs and weather into a new folder, without its customers and roofs, not ranked."""
    made = put_demo(folder)
    with duckdb.connect(str(made.inventory)) as connection:
        for table in ("array", "fitted", "reading", "horizon", "call_log", "site", "contact", "customer", "change"):
            connection.execute(f'DELETE FROM "{table}"')
    return made
