"""What if: orders, outages and other weather put to the standing evening, to many volumes of water, to a whole season.

`schema.py`      the keys of a case file, with what each may be
`case.py`        files and `--set` read into cases, checked against the site, combined
`surcharge.py`   what a step of over-use costs more: a price, or a share of the water's
`orders.py`      what an order allows in cubic metres: cuts against a base period, allowances, the ET formula
`apply.py`       a case put into the arrays of the plan
`evening.py`     the standing evening under each case, from where the standing plan ended
`less.py`        what keeps a case that takes something away from coming out better than one that does not
`given_back.py`  what such a case gains by the steps of its later nights, it gives back
`measures.py`    what a plan does to the turf, the salt, the bill
`quick.py`       plans without a timetable, with the share of capacity that packing reaches
`relax.py`       the limits that matter most, and what a tenth more of each would give
`sweep.py`       one key in steps: water against turf
`document.py`    what comes out, typed; `whatif.schema.json` is generated from it
`compose.py`     outcomes into the document, with the sentences people read
`said.py`        what a case asks, in words
`page.py`        the page for a committee, the table, the files
`run.py`         `evenfall whatif`: the list of its steps
`weather_years.py`   years of a record, or drawn from it; forecasts as good as past ones
`ahead.py`       a season lived through night by night
`season.py`      every case in every weather year, and what it comes to
`door.py`        work side by side, here or on a Dask cluster
`fleet.py`       one command at many sites
"""
