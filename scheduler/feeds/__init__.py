"""Feeds: series that come by themselves, each document looked over before it counts.

`fetch.py`             one document from an address, a file or a command: certificates, time-outs, sizes, conditions
`bulletin.py`          a document once read: place, time of update, rows by date; what is refused, and why
`daily_arrays.py`      three open formats of weather forecasts and
`geojson_series.py`    one for tables, each
`interval_layers.py`   document -> bulletin
`table.py`             CSV through a column map
`local_days.py`        amounts and values over intervals, brought to the site's own days
`plausible.py`         is it of this place, new, whole and possible
`store.py`             feeds/SERIES.csv and feeds/state.json in the site folder, written in one step
`receive.py`           all of it for every feed of a site
"""
